//! The tables, and how older ones become the newest.

use embertally_core::store::StoreError;

use crate::sql::Sql;

/// Marks the file as one of ours, in the SQLite header: "Embr".
pub(crate) const APPLICATION_ID: i64 = 0x456d_6272;

/// The size of a page, in bytes.
///
/// Measured with 20 documents of 90 kB: 1,024 and 2,048 give 1.7 % on top of the bytes, 4,096 gives 2.9 %, 8,192 gives
/// 5.6 %; a commit writes three pages, so its time grows with the size too.
pub(crate) const PAGE_BYTES: u32 = 2048;

/// The steps from an empty file to the newest schema; the version of a file is how many of them it has been through.
///
/// A step that was released is never edited: new ones are added at the end.
pub(crate) const STEPS: &[&str] = &[
    "
-- No index but the tables' own: one would be a second copy of the truth, and a bit flipped in it would hide a piece
-- without a word. Tables this small are read from end to end in the time of one flush.
CREATE TABLE documents (
    id       INTEGER PRIMARY KEY,
    name     TEXT NOT NULL,
    entries  INTEGER NOT NULL,
    shots    INTEGER NOT NULL,
    first_ms INTEGER,
    last_ms  INTEGER,
    title    TEXT NOT NULL
) STRICT;
-- AUTOINCREMENT: a name is never given twice, not even after the newest piece was set aside.
CREATE TABLE pieces (
    id       INTEGER PRIMARY KEY AUTOINCREMENT,
    document INTEGER NOT NULL REFERENCES documents (id),
    kind     INTEGER NOT NULL, -- 0 snapshot, 1 chunk
    hash     BLOB NOT NULL,
    bytes    BLOB NOT NULL
) STRICT;
-- ANY: damage may have changed what a value is.
CREATE TABLE set_aside (
    id       INTEGER PRIMARY KEY,
    document INTEGER NOT NULL REFERENCES documents (id),
    kind     ANY,
    hash     ANY,
    bytes    ANY
) STRICT;
CREATE TABLE kept (
    key      TEXT PRIMARY KEY,
    value    BLOB NOT NULL
) STRICT, WITHOUT ROWID;
",
    "
-- What a document held at its last write, so that two logs can be compared without reading it.
ALTER TABLE documents ADD COLUMN state BLOB;
",
];

/// Whose file it is, as its header says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Identity {
    /// Nobody's yet.
    Empty,
    /// Ours, with this version.
    Ours(u32),
    /// Another program's.
    Foreign,
}

/// Reads whose file it is, without changing it.
pub(crate) fn identity(sql: &Sql<'_>) -> Result<Identity, StoreError> {
    // One statement, so that another process cannot make the file ours half-way through.
    let marks = sql.row(
        "SELECT application_id, user_version, (SELECT count(*) FROM sqlite_schema)
         FROM pragma_application_id, pragma_user_version",
        [],
        |row| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?, row.get::<_, i64>(2)?)),
    )?;
    let (application, version, tables) = marks.unwrap_or_default();
    Ok(match (application, u32::try_from(version), tables) {
        (APPLICATION_ID, Ok(version), _) => Identity::Ours(version),
        (0, Ok(0), 0) => Identity::Empty,
        _ => Identity::Foreign,
    })
}

/// Returns how many of `steps` a file that may be used has been through; `None` if it is empty.
pub(crate) fn version(sql: &Sql<'_>, steps: &[&str]) -> Result<Option<usize>, StoreError> {
    let known = steps.len();
    match identity(sql)? {
        Identity::Empty => Ok(None),
        Identity::Ours(found) => match usize::try_from(found) {
            Ok(version) if version <= known => Ok(Some(version)),
            _ => Err(StoreError::TooNew { found, known: u32::try_from(known).unwrap_or(u32::MAX) }),
        },
        Identity::Foreign => Err(StoreError::Damaged { what: "the file is not a log of this program".to_owned() }),
    }
}

/// Brings the file to the newest schema, in one transaction.
pub(crate) fn migrate(sql: &Sql<'_>, steps: &[&str]) -> Result<(), StoreError> {
    if version(sql, steps)? == Some(steps.len()) {
        return Ok(());
    }
    sql.write(|sql| {
        // Asked again: another process may have been quicker.
        for step in steps.iter().skip(version(sql, steps)?.unwrap_or(0)) {
            sql.batch(step)?;
        }
        sql.batch(&format!("PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {}", steps.len()))
    })
}
