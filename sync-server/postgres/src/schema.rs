//! The tables, and how older ones become the newest.

use embertally_core::store::StoreError;

use crate::error::damaged;
use crate::session::Session;

/// Stands in the tables to say whose they are.
const APPLICATION: &str = "embertally";

/// The lock that whoever changes the tables holds; any number that others are unlikely to use ("EmbrPgSc").
const MIGRATION_LOCK: i64 = 0x456d_6272_5067_5363;

/// The steps from an empty schema to the newest; the version of one is how many of them it has been through.
///
/// A step that was released is never edited: new ones are added at the end.
pub(crate) const STEPS: &[&str] = &["
CREATE TABLE application (
    one_row  boolean PRIMARY KEY DEFAULT true CHECK (one_row),
    name     text NOT NULL,
    version  integer NOT NULL
);
-- last_piece: the newest id given to a piece. Whoever commits changes it first and so holds the row until the commit
-- stands; that keeps a crew's pieces in the order of their ids.
CREATE TABLE crews (
    number     bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    crew       bytea NOT NULL UNIQUE,
    last_piece bigint NOT NULL DEFAULT 0
) WITH (fillfactor = 50);
-- title is bytea: text cannot hold every character that a person's device may send.
CREATE TABLE documents (
    number   bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    crew     bigint NOT NULL REFERENCES crews,
    name     text COLLATE \"C\" NOT NULL,
    entries  bigint NOT NULL,
    shots    bigint NOT NULL,
    first_ms bigint,
    last_ms  bigint,
    title    bytea NOT NULL,
    state    bytea,
    UNIQUE (crew, name)
) WITH (fillfactor = 70);
CREATE TABLE pieces (
    crew     bigint NOT NULL,
    id       bigint NOT NULL,
    document bigint NOT NULL REFERENCES documents,
    kind     smallint NOT NULL, -- 0 snapshot, 1 chunk
    hash     bytea NOT NULL,
    bytes    bytea NOT NULL,
    PRIMARY KEY (crew, id)
);
CREATE INDEX pieces_of_a_document ON pieces (document, id);
CREATE TABLE set_aside (
    crew     bigint NOT NULL,
    id       bigint NOT NULL,
    document bigint NOT NULL REFERENCES documents,
    kind     smallint NOT NULL,
    hash     bytea NOT NULL,
    bytes    bytea NOT NULL,
    PRIMARY KEY (crew, id)
);
CREATE INDEX set_aside_of_a_document ON set_aside (document);
CREATE TABLE kept (
    crew     bigint NOT NULL REFERENCES crews,
    key      text COLLATE \"C\" NOT NULL,
    value    bytea NOT NULL,
    PRIMARY KEY (crew, key)
);
CREATE TABLE server_values (
    key      text COLLATE \"C\" PRIMARY KEY,
    value    bytea NOT NULL
);
-- The pieces are compressed already, and the length of a value that is not can be read without reading the value.
ALTER TABLE pieces ALTER COLUMN bytes SET STORAGE EXTERNAL;
ALTER TABLE set_aside ALTER COLUMN bytes SET STORAGE EXTERNAL;
"];

/// Returns how many of `steps` a schema that may be used has been through; `None` if it is empty.
fn version(session: &Session<'_>, schema: &str, steps: &[&str]) -> Result<Option<usize>, StoreError> {
    let marks = session.row(
        "SELECT to_regclass($1) IS NOT NULL,
                EXISTS (SELECT FROM pg_catalog.pg_class JOIN pg_catalog.pg_namespace AS space
                        ON space.oid = relnamespace WHERE nspname = $2)",
        &[&format!("{schema}.application"), &schema],
    )?;
    let flag = |at: usize| marks.as_ref().is_some_and(|row| row.try_get(at).unwrap_or(false));
    match (flag(0), flag(1)) {
        (true, _) => {}
        (false, false) => return Ok(None),
        (false, true) => return Err(foreign(schema)),
    }
    // As text, since the table may be anybody's.
    let ours = "SELECT to_jsonb(a) ->> 'name', to_jsonb(a) ->> 'version' FROM application AS a LIMIT 2";
    let rows = session.rows(ours, &[])?;
    let [row] = rows.as_slice() else { return Err(foreign(schema)) };
    let word = |at: usize| row.try_get::<_, Option<&str>>(at).map_err(|error| damaged(&error));
    let found = word(1)?.and_then(|version| version.parse::<u32>().ok());
    match (word(0)?, found) {
        (Some(APPLICATION), Some(found)) => match usize::try_from(found) {
            Ok(version) if version <= steps.len() => Ok(Some(version)),
            _ => Err(StoreError::TooNew { found, known: u32::try_from(steps.len()).unwrap_or(u32::MAX) }),
        },
        _ => Err(foreign(schema)),
    }
}

fn foreign(schema: &str) -> StoreError {
    StoreError::Damaged { what: format!("the schema {schema} holds tables that are not of this program") }
}

/// Brings the tables to the newest schema, in one transaction. `schema` is a name that needs no quoting.
pub(crate) fn migrate(session: &Session<'_>, schema: &str, steps: &[&str]) -> Result<(), StoreError> {
    if version(session, schema, steps)? == Some(steps.len()) {
        return Ok(());
    }
    session.write(|session| {
        session.run("SELECT pg_advisory_xact_lock($1)", &[&MIGRATION_LOCK])?;
        // Asked again: another server may have been quicker.
        let done = version(session, schema, steps)?;
        if done == Some(steps.len()) {
            return Ok(());
        }
        if done.is_none() {
            // Only if missing: a login may have rights in the schema and none to make one.
            let missing = session.row("SELECT to_regnamespace($1) IS NULL", &[&schema])?;
            if missing.is_some_and(|row| row.try_get(0).unwrap_or(false)) {
                session.batch(&format!("CREATE SCHEMA {schema}"))?;
            }
        }
        for step in steps.iter().skip(done.unwrap_or(0)) {
            session.batch(step)?;
        }
        let version = i32::try_from(steps.len()).unwrap_or(i32::MAX);
        session.run(
            "INSERT INTO application (name, version) VALUES ($1, $2)
             ON CONFLICT (one_row) DO UPDATE SET version = excluded.version",
            &[&APPLICATION, &version],
        )?;
        Ok(())
    })
}
