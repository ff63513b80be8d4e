//! Whose database it is, and how it must be kept.

use std::process::Command;
use std::thread;

use super::*;
use crate::schema;

fn refusal(url: &str, options: &Options) -> StoreError {
    Database::connect(url, options.clone(), runtime().handle()).unwrap_err()
}

#[test]
fn a_schema_is_made_once_and_one_of_a_newer_program_or_another_is_left_alone() {
    let cluster = Cluster::shared();
    let url = cluster.url("postgres");
    // Six servers start at once on a new database.
    let options = in_new_schema().connections(1);
    thread::scope(|scope| {
        for number in 0..6 {
            let (options, cluster) = (options.clone(), &cluster);
            scope.spawn(move || {
                let database = connect(cluster, options);
                PostgresStore::open(&database, CREW).unwrap().commit(&numbered(number)).unwrap()
            });
        }
    });
    let database = connect(&cluster, options.clone());
    assert_eq!(numbers(&mut PostgresStore::open(&database, CREW).unwrap()), (0..6).collect());

    // A step more, as a later version will have; this one then refuses and changes nothing.
    let steps = [schema::STEPS, &["CREATE TABLE later (a integer)"]].concat();
    schema::migrate(&database.session().unwrap(), &options.schema, &steps).unwrap();
    let error = refusal(&url, &options);
    let known = schema::STEPS.len() as u32;
    assert!(matches!(error, StoreError::TooNew { found, known: k } if found == known + 1 && k == known), "{error}");
    assert_eq!(cluster.query("postgres", &format!("SELECT count(*) FROM {}.pieces", options.schema)), "12");

    for (tables, what) in [
        ("CREATE TABLE pieces (a integer)", "another program's tables"),
        ("CREATE TABLE application (a integer)", "a table of that name"),
        ("CREATE TABLE application (name text, version text); INSERT INTO application VALUES ('other', '1')", "a name"),
    ] {
        let options = in_new_schema();
        cluster.sql("postgres", &format!("CREATE SCHEMA {0}; SET search_path = {0}; {tables}", options.schema));
        let error = refusal(&url, &options);
        assert!(matches!(error, StoreError::Damaged { .. }), "{what}: {error}");
        let count = format!("SELECT count(*) FROM pg_tables WHERE schemaname = '{}'", options.schema);
        assert_eq!(cluster.query("postgres", &count), "1", "{what}");
    }
    for name in ["", "Upper", "a b", "1a", "a;b", &"a".repeat(64)] {
        assert!(matches!(refusal(&url, &Options::default().schema(name)), StoreError::Other { .. }), "{name}");
    }
}

#[test]
fn settings_of_the_server_cannot_weaken_a_commit_and_rights_are_asked_for_only_where_needed() {
    let cluster = Cluster::shared();
    let name = cluster.new_database();
    cluster.sql("postgres", &format!("ALTER DATABASE {name} SET synchronous_commit = off"));
    // A login that may use its schema and make nothing else; reached by TCP, with a password.
    cluster.sql(&name, &format!("CREATE ROLE {name} LOGIN PASSWORD 'x'; CREATE SCHEMA mine AUTHORIZATION {name}"));
    let url = format!("postgres://{name}:x@127.0.0.1:{}/{name}", cluster.port());
    let options = Options::default().schema("mine");
    let database = Database::connect(&url, options.clone(), runtime().handle()).unwrap();
    let session = database.session().unwrap();
    for (setting, value) in [("synchronous_commit", "on"), ("statement_timeout", "20s"), ("lock_timeout", "5s")] {
        let row = session.row("SELECT current_setting($1)", &[&setting]).unwrap().unwrap();
        assert_eq!(row.get::<_, &str>(0), value, "{setting}");
    }
    drop(session);
    let mut store = PostgresStore::open(&database, CREW).unwrap();
    store.commit(&numbered(1)).unwrap();
    assert!(matches!(refusal(&url, &Options::default()), StoreError::ReadOnly { .. }), "it may make no schema");

    // As on a standby: everything can be read, nothing written; damage is reported all the same.
    cluster.sql(&name, "UPDATE mine.pieces SET bytes = '\\x00' WHERE id = 1");
    cluster.sql("postgres", &format!("ALTER DATABASE {name} SET default_transaction_read_only = on"));
    let database = Database::connect(&url, options, runtime().handle()).unwrap();
    let mut store = PostgresStore::open(&database, CREW).unwrap();
    let error = store.commit(&numbered(2)).unwrap_err();
    assert!(matches!(error, StoreError::ReadOnly { .. }), "{error}");
    let loaded = store.load(&DOCUMENTS[0]).unwrap();
    assert_eq!((loaded.pieces.len(), loaded.damaged.len(), loaded.damaged[0].length), (0, 1, 1));
    assert_eq!(store.set_aside(PieceId(1)).unwrap(), Some(vec![0]));
    assert_eq!(store.load(&DOCUMENTS[1]).unwrap().pieces.len(), 1);
}

#[test]
fn tls_checks_who_is_there_and_a_server_without_fsync_is_refused() {
    let cluster = Cluster::start();
    let folder = tempfile::tempdir().unwrap();
    // Two certificates for 127.0.0.1, one of them the server's.
    for name in ["server", "other"] {
        let path = |end: &str| folder.path().join(format!("{name}.{end}"));
        let mut openssl = Command::new("openssl");
        openssl.args([
            "req",
            "-x509",
            "-newkey",
            "ec",
            "-pkeyopt",
            "ec_paramgen_curve:prime256v1",
            "-nodes",
            "-days",
            "2",
        ]);
        openssl.args(["-subj", "/CN=a test", "-addext", "subjectAltName=IP:127.0.0.1"]);
        openssl.args(["-addext", "basicConstraints=critical,CA:FALSE"]);
        openssl.arg("-keyout").arg(path("key")).arg("-out").arg(path("pem"));
        let made = openssl.output().unwrap();
        assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    }
    // The server reads them from its own folder; it writes them there itself, so that they are its own.
    for (end, target) in [("pem", "server.crt"), ("key", "server.key")] {
        let text = std::fs::read_to_string(folder.path().join(format!("server.{end}"))).unwrap();
        cluster.sql(
            "postgres",
            &format!("COPY (SELECT line FROM unnest(string_to_array('{}', chr(10))) AS line) TO PROGRAM 'umask 77; cat > {target}'", text.trim()),
        );
    }
    cluster.sql("postgres", "ALTER SYSTEM SET ssl = on");
    cluster.stop();
    cluster.go_on();
    let url = |trusted: &str, mode: &str| {
        let roots = folder.path().join(format!("{trusted}.pem")).to_string_lossy().replace('/', "%2F");
        format!("{}?sslmode={mode}&sslrootcert={roots}", cluster.tcp_url("postgres"))
    };
    for mode in ["require", "verify-full"] {
        let database = Database::connect(&url("server", mode), in_new_schema(), runtime().handle()).unwrap();
        let session = database.session().unwrap();
        let row = session.row("SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()", &[]).unwrap().unwrap();
        assert!(row.get::<_, bool>(0), "{mode}");
        drop(session);
        let mut listener = crate::Listener::start(&database);
        assert_eq!(soon("listening by TLS", Duration::from_secs(10), listener.next()), crate::Change::Anything);
    }
    let error = refusal(&url("other", "require"), &Options::default());
    assert!(error.to_string().contains("TLS"), "a certificate that is not trusted: {error}");
    let elsewhere = url("server", "require").replace("127.0.0.1", "localhost");
    assert!(refusal(&elsewhere, &Options::default()).to_string().contains("TLS"), "another host's certificate");
    assert!(refusal(&url("none", "require"), &Options::default()).to_string().contains("certificates"));

    cluster.sql("postgres", "ALTER SYSTEM SET ssl = off");
    cluster.sql("postgres", "ALTER SYSTEM SET fsync = off");
    cluster.stop();
    cluster.go_on();
    let error = refusal(&url("server", "require"), &Options::default());
    assert!(error.to_string().contains("TLS"), "a server without it: {error}");
    let error = refusal(&cluster.url("postgres"), &in_new_schema());
    assert!(error.to_string().contains("fsync=off"), "{error}");
}
