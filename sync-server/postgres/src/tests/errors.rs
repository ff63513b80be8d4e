//! Errors as a real server gives them, and their classes.

use std::net::TcpListener;
use std::time::Instant;

use super::*;
use crate::is_passing;

/// Lets the database refuse each new piece with an error code, at once or at the commit.
fn refuse_pieces(cluster: &Cluster, schema: &str, code: &str, when: &str) {
    let kind = if when == "at commit" { "CONSTRAINT TRIGGER" } else { "TRIGGER" };
    let time = if when == "at commit" { "DEFERRABLE INITIALLY DEFERRED" } else { "" };
    cluster.sql(
        "postgres",
        &format!(
            "SET search_path = {schema};
             CREATE OR REPLACE FUNCTION refuse() RETURNS trigger LANGUAGE plpgsql AS
                 $$ BEGIN RAISE EXCEPTION 'refused' USING ERRCODE = '{code}'; END $$;
             DROP TRIGGER IF EXISTS refuse ON pieces;
             CREATE {kind} refuse AFTER INSERT ON pieces {time} FOR EACH ROW EXECUTE FUNCTION refuse();"
        ),
    );
}

fn class(error: &StoreError) -> &'static str {
    if is_passing(error) && !matches!(error, StoreError::Busy { .. }) { "passing" } else { error.code() }
}

#[test]
fn what_the_server_refuses_has_the_right_class_and_nothing_is_kept() {
    let cluster = Cluster::shared();
    let options = in_new_schema().connections(1);
    let schema = options.schema.clone();
    let database = connect(&cluster, options);
    let mut store = PostgresStore::open(&database, CREW).unwrap();
    store.commit(&numbered(1)).unwrap();
    let connection = || database.session().unwrap().row("SELECT pg_backend_pid()", &[]).unwrap().unwrap().get(0);
    let before: i32 = connection();
    for when in ["at once", "at commit"] {
        for (code, expected) in [
            ("53100", "E_STORE_FULL"),
            ("53200", "E_STORE_MEMORY"),
            ("25006", "E_STORE_READ_ONLY"),
            ("42501", "E_STORE_READ_ONLY"),
            ("XX001", "E_STORE_DAMAGED"),
            ("40001", "E_STORE_BUSY"),
            ("40P01", "E_STORE_BUSY"),
            ("55P03", "E_STORE_BUSY"),
            ("57014", "passing"),
            ("53300", "passing"),
            ("08006", "passing"),
            ("P0001", "E_STORE_OTHER"),
        ] {
            refuse_pieces(&cluster, &schema, code, when);
            let error = store.commit(&numbered(2)).unwrap_err();
            assert_eq!(class(&error), expected, "{code} {when}: {error}");
            assert_eq!(numbers(&mut store), BTreeSet::from([1]), "{code} {when}");
        }
    }
    cluster.sql("postgres", &format!("DROP TRIGGER refuse ON {schema}.pieces"));
    assert_eq!(store.commit(&numbered(3)).unwrap(), [PieceId(3), PieceId(4)]);
    assert_eq!(connection(), before, "a connection on which a statement was refused is as good as before");
}

#[test]
fn waiting_ends_and_says_what_was_waited_for() {
    let cluster = Cluster::shared();
    let options = in_new_schema().connections(2).patience(Duration::from_millis(300));
    let options = options.statement_limit(Duration::from_millis(1000));
    let database = connect(&cluster, options.clone());
    let mut store = PostgresStore::open(&database, CREW).unwrap();
    store.commit(&numbered(1)).unwrap();

    // Another commit of the same crew that does not finish.
    let other = database.session().unwrap();
    let held = other.write(|other| {
        other.run("UPDATE crews SET last_piece = last_piece", &[])?;
        let error = store.commit(&numbered(2)).unwrap_err();
        assert!(matches!(error, StoreError::Busy { waited_ms: 300 }), "{error}");
        assert_eq!(numbers(&mut store), BTreeSet::from([1]), "reading goes on meanwhile");
        // Another crew is in nobody's way.
        PostgresStore::open(&database, [9; 16])?.commit(&numbered(7))?;
        Ok(())
    });
    held.unwrap();
    // A commit that stands still is cut off, keeps nothing, and holds the others up no longer.
    let mut tries = 0;
    let cut = other.write(|other| {
        other.run("UPDATE crews SET last_piece = last_piece", &[])?;
        while store.commit(&numbered(4)).is_err() {
            tries += 1;
        }
        Ok(())
    });
    assert!((1..=3).contains(&tries), "{tries}");
    let error = cut.unwrap_err();
    assert!(is_passing(&error), "{error}");
    drop(other);
    let other = database.session().unwrap();
    // No connection is free.
    let second = database.session().unwrap();
    let error = store.list().unwrap_err();
    assert!(matches!(error, StoreError::Busy { waited_ms: 300 }), "{error}");
    drop(second);
    // A statement that takes too long; the connection goes on.
    let error = other.batch("SELECT pg_sleep(60)").unwrap_err();
    assert!(is_passing(&error), "{error}");
    other.batch("SELECT 1").unwrap();
    drop(other);
    store.commit(&numbered(3)).unwrap();

    // Nobody there, somebody who never answers, and somebody who refuses the login.
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let silent = format!("postgres://a@{}/x", listener.local_addr().unwrap());
    let began = Instant::now();
    let reach = |url: &str| Database::connect(url, options.clone(), runtime().handle()).unwrap_err();
    let error = reach(&silent);
    assert!(is_passing(&error) && began.elapsed() < Duration::from_secs(10), "{error}");
    drop(listener);
    assert!(is_passing(&reach(&silent)));
    let error = reach(&cluster.tcp_url("postgres").replace("tests", "nothing"));
    assert!(!is_passing(&error) && error.to_string().contains("refused the login"), "{error}");
    assert!(!error.to_string().contains("nothing%20"), "{error}");
}

#[test]
fn where_waiting_would_stop_everything_it_is_refused_and_elsewhere_it_works() {
    let cluster = Cluster::shared();
    let database = connect(&cluster, in_new_schema());
    let store = PostgresStore::open(&database, CREW).unwrap();
    let single = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let error = single.block_on(async { store.list().unwrap_err() });
    assert!(error.to_string().contains("on a thread of its own"), "{error}");
    let error = Database::connect(&cluster.url("postgres"), Options::default(), single.handle()).unwrap_err();
    assert!(error.to_string().contains("multi-threaded"), "{error}");

    let (of_worker, of_pool) = (store.clone(), store.clone());
    soon("calls on a worker and on the blocking pool", Duration::from_secs(10), async {
        tokio::spawn(async move { of_worker.list().unwrap() }).await.unwrap();
        tokio::task::spawn_blocking(move || of_pool.list().unwrap()).await.unwrap();
    });
    assert_eq!(runtime().block_on(async { store.list() }).unwrap(), []);
}
