//! The store itself: what each operation is in SQL.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use embertally_core::facts::DocumentId;
use embertally_core::store::{
    DamagedPiece, Listed, Loaded, Piece, PieceId, PieceKind, State, Store, StoreError, Summary, Write, piece_hash,
};
use rusqlite::types::ValueRef;
use rusqlite::{Connection, Row, params};

use crate::backup;
use crate::open::{self, Options};
use crate::scratch::Scratch;
use crate::sql::{Gate, Sql};

/// Pages are given back to the file system when there are this many of them and they are a quarter of the file;
/// fewer are soon used again by the next chunks.
const FREE_PAGES_KEPT: i64 = 64;

/// Under which name it is kept that dropped documents may have left bytes in the file.
const LEFTOVERS: &str = "store/leftovers";

/// A store in one SQLite file.
///
/// Other processes, and other stores of this process, may have the same folder open; each commit waits for its turn.
/// Dropping the store moves the write-ahead log into the file.
#[derive(Debug)]
pub struct SqliteStore {
    connection: Connection,
    folder: PathBuf,
    options: Options,
    gate: Gate,
    /// Where the copy lies that is read; after the connection, which must be closed first.
    scratch: Option<Scratch>,
}

impl SqliteStore {
    /// Opens the store in `folder` with the usual [`Options`]; folder and file are made if missing.
    ///
    /// # Errors
    /// As [`SqliteStore::open_with`].
    pub fn open(folder: impl AsRef<Path>) -> Result<Self, StoreError> {
        Self::open_with(folder, Options::default())
    }

    /// Opens the store in `folder`; folder and file are made if missing, an older file is brought up to date.
    ///
    /// # Errors
    /// [`StoreError::TooNew`] for a file of a newer program and [`StoreError::Damaged`] for one that is no log at all;
    /// both are left as they are. Any other [`StoreError`] but `OutcomeUnknown` as the system gives it.
    pub fn open_with(folder: impl AsRef<Path>, options: Options) -> Result<Self, StoreError> {
        Self::open_gated(folder.as_ref(), options, Gate::default())
    }

    /// Opens a copy of an existing store, only to read it, where the store itself cannot be opened because nothing can be
    /// written there: a full disk, a read-only medium. Every commit is refused.
    ///
    /// Not for: a store that others are writing to; [`SqliteStore::open`] reads that one.
    ///
    /// # Errors
    /// Any [`StoreError`] but `OutcomeUnknown` as the system gives it.
    pub fn open_to_read(folder: impl AsRef<Path>) -> Result<Self, StoreError> {
        let folder = folder.as_ref();
        let scratch = Scratch::copy_of(folder)?;
        let mut store = Self::open(scratch.path())?;
        store.sql().batch("PRAGMA query_only = ON")?;
        folder.clone_into(&mut store.folder);
        store.scratch = Some(scratch);
        Ok(store)
    }

    pub(crate) fn open_gated(folder: &Path, options: Options, gate: Gate) -> Result<Self, StoreError> {
        let (connection, folder) = open::open(folder, &options, &gate)?;
        let store = Self { connection, folder, options, gate, scratch: None };
        // Left by a drop that was interrupted, or that others who were reading held up.
        if store.connection.busy_timeout(Duration::ZERO).is_ok() {
            let _ = store.clear_away();
        }
        let _ = store.connection.busy_timeout(store.options.busy_timeout);
        Ok(store)
    }

    /// Returns the full path of the folder that holds the file.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Copies the whole store, as it is at this moment, into a new file; others may write meanwhile.
    ///
    /// Named [`FILE_NAME`](crate::FILE_NAME), in a folder of its own, the copy is a store. It is also a copy of this
    /// *device's* kept values: a device that goes on from it must take a new device id.
    ///
    /// # Errors
    /// [`StoreError::Other`] if there is a file of that name; any other [`StoreError`] as the system gives it.
    pub fn backup_to(&self, path: impl AsRef<Path>) -> Result<(), StoreError> {
        backup::copy(&self.sql(), path.as_ref())
    }

    /// Looks through the whole file for damage that reading a document cannot show: a piece that is gone.
    ///
    /// Reads every page once but hashes nothing: about 1 ms for each MB.
    ///
    /// # Errors
    /// [`StoreError::Damaged`], with the first thing found; any other [`StoreError`] as the system gives it.
    pub fn check(&self) -> Result<(), StoreError> {
        let sql = self.sql();
        let word = sql.row("PRAGMA quick_check(1)", [], |row| row.get::<_, String>(0))?;
        let homeless = sql.rows("PRAGMA foreign_key_check", [], |_| Ok(()))?.len();
        match word.as_deref() {
            Some("ok") if homeless == 0 => Ok(()),
            Some("ok") => Err(StoreError::Damaged { what: format!("{homeless} pieces belong to no document") }),
            word => Err(StoreError::Damaged { what: word.unwrap_or("the check said nothing").to_owned() }),
        }
    }

    /// Tells whether nothing of a dropped document may still lie in the file. If something may (the disk was full,
    /// another program was reading), the next opening tries again.
    ///
    /// # Errors
    /// Any [`StoreError`].
    pub fn is_cleared(&self) -> Result<bool, StoreError> {
        Ok(self.kept(LEFTOVERS)?.is_none())
    }

    /// Clears away what dropped documents left in the file and in the write-ahead log. No part of the commit, which
    /// stands already.
    fn clear_away(&self) -> Result<(), StoreError> {
        if self.is_cleared()? {
            return Ok(());
        }
        let sql = self.sql();
        // Free pages and the gaps in others hold what compaction removed in earlier times; this writes none of it anew.
        sql.batch("VACUUM")?;
        if sql.number("PRAGMA wal_checkpoint(TRUNCATE)")? != 0 {
            return Err(StoreError::Busy { waited_ms: self.options.waited_ms() });
        }
        sql.run("DELETE FROM kept WHERE key = ?1", [LEFTOVERS]).map(drop)
    }

    pub(crate) fn sql(&self) -> Sql<'_> {
        Sql { connection: &self.connection, gate: &self.gate, waited_ms: self.options.waited_ms() }
    }

    /// Gives pages freed by compaction back to the file system. Not part of the commit, which stands already: what
    /// fails here is tried again after the next compaction, and it does not wait for other processes.
    fn give_back_pages(&self) {
        let sql = self.sql();
        let give_back = || {
            let free = sql.number("PRAGMA freelist_count")?;
            if free >= FREE_PAGES_KEPT && free >= sql.number("PRAGMA page_count")? / 4 {
                // As rows, though it has none: each step gives back one page.
                sql.rows("PRAGMA incremental_vacuum", [], |_| Ok(()))?;
            }
            Ok::<_, StoreError>(())
        };
        if self.connection.busy_timeout(Duration::ZERO).is_ok() {
            let _ = give_back();
        }
        let _ = self.connection.busy_timeout(self.options.busy_timeout);
    }
}

impl Drop for SqliteStore {
    fn drop(&mut self) {
        // Best effort: the log holds everything until it is moved, by us or by whoever opens the file next.
        let _ = self.connection.busy_timeout(Duration::ZERO);
        let _ = self.connection.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)");
    }
}

impl Store for SqliteStore {
    fn list(&self) -> Result<Vec<Listed>, StoreError> {
        // length() of a value reads its header only, so this does not touch the pieces' bytes; without MATERIALIZED they
        // would be carried through the sorting (7 ms instead of 3 for 5,000 chunks).
        let lines = self.sql().rows(
            "WITH sizes AS MATERIALIZED (SELECT id AS piece, document, kind, length(bytes) AS size FROM pieces)
             SELECT name, entries, shots, first_ms, last_ms, title, state,
                    count(*) FILTER (WHERE kind = 1), coalesce(sum(size), 0),
                    count(piece), coalesce(sum(piece), 0), max(piece)
             FROM documents LEFT JOIN sizes ON document = id GROUP BY id",
            [],
            |row| Ok((row.get::<_, String>(0)?, read_listed(row)?)),
        )?;
        let listed = |(name, mut line): (String, Listed)| {
            line.document = read_name(&name)?;
            Ok(line)
        };
        let mut list = lines.into_iter().map(listed).collect::<Result<Vec<_>, StoreError>>()?;
        list.sort_unstable_by_key(|line| line.document);
        Ok(list)
    }

    fn load(&mut self, document: &DocumentId) -> Result<Loaded, StoreError> {
        self.load_after(document, PieceId(0))
    }

    fn news(&self, after: PieceId) -> Result<Vec<(PieceId, DocumentId)>, StoreError> {
        let rows = self.sql().rows(
            "SELECT pieces.id, name FROM pieces JOIN documents ON documents.id = document
             WHERE pieces.id > ?1 ORDER BY pieces.id",
            [after.0.cast_signed()],
            |row| Ok((piece_id(row)?, row.get::<_, String>(1)?)),
        )?;
        rows.into_iter().map(|(id, name)| Ok((id, read_name(&name)?))).collect()
    }

    fn load_after(&mut self, document: &DocumentId, after: PieceId) -> Result<Loaded, StoreError> {
        let sql = self.sql();
        let Some(number) = number_of(&sql, document)? else { return Ok(Loaded::default()) };
        let found = sql.rows(
            "SELECT id, kind, hash, bytes FROM pieces WHERE document = ?1 AND id > ?2 ORDER BY id",
            [number, after.0.cast_signed()],
            |row| Found::read(row, document),
        )?;
        let mut pieces = Vec::with_capacity(found.len());
        let mut damaged = BTreeMap::new();
        for found in found {
            match found {
                Found::Intact(piece) => pieces.push(piece),
                Found::Damaged(damage) => drop(damaged.insert(damage.id, damage)),
            }
        }
        if !damaged.is_empty() {
            let moved = sql.write(|sql| damaged.keys().try_for_each(|id| set_aside(sql, *id)));
            match moved {
                // Reading needs neither room nor rights: the piece stays where it is and is found again next time.
                Ok(()) | Err(StoreError::Full | StoreError::ReadOnly { .. } | StoreError::Busy { .. }) => {}
                Err(error) => return Err(error),
            }
        }
        let before = sql.rows("SELECT id, bytes FROM set_aside WHERE document = ?1", [number], |row| {
            Ok(DamagedPiece { id: piece_id(row)?, document: *document, length: raw(row, 1)?.len() as u64 })
        })?;
        damaged.extend(before.into_iter().map(|damage| (damage.id, damage)));
        Ok(Loaded { pieces, damaged: damaged.into_values().collect() })
    }

    fn commit(&mut self, writes: &[Write]) -> Result<Vec<PieceId>, StoreError> {
        if writes.is_empty() {
            return Ok(Vec::new());
        }
        let drops = writes.iter().any(|write| matches!(write, Write::Drop { .. }));
        if drops {
            // On for this commit alone: what is dropped is overwritten even if nothing more can be cleared away.
            self.sql().batch("PRAGMA secure_delete = ON")?;
        }
        let committed = self.sql().write(|sql| {
            let mut ids = Vec::with_capacity(writes.len());
            for write in writes {
                match write {
                    Write::Append { document, chunk, summary } => {
                        let number = write_summary(sql, document, summary)?;
                        ids.push(add(sql, number, document, PieceKind::Chunk, chunk)?);
                    }
                    Write::Compact { document, covers, snapshot, summary } => {
                        let number = write_summary(sql, document, summary)?;
                        for id in covers {
                            remove(sql, number, document, *id)?;
                        }
                        ids.push(add(sql, number, document, PieceKind::Snapshot, snapshot)?);
                    }
                    Write::Drop { document } => drop_document(sql, document)?,
                    Write::Keep { key, value } => {
                        sql.run("INSERT OR REPLACE INTO kept (key, value) VALUES (?1, ?2)", params![key, value])?;
                    }
                }
            }
            Ok(ids)
        });
        if drops {
            let _ = self.connection.execute_batch("PRAGMA secure_delete = OFF");
        }
        let ids = committed?;
        if drops {
            let _ = self.clear_away();
        }
        if writes.iter().any(|write| matches!(write, Write::Compact { .. })) {
            self.give_back_pages();
        }
        Ok(ids)
    }

    fn kept(&self, key: &str) -> Result<Option<Vec<u8>>, StoreError> {
        self.sql().row("SELECT value FROM kept WHERE key = ?1", [key], |row| Ok(raw(row, 0)?.to_vec()))
    }

    fn set_aside(&self, piece: PieceId) -> Result<Option<Vec<u8>>, StoreError> {
        let Ok(id) = i64::try_from(piece.0) else { return Ok(None) };
        let sql = self.sql();
        let aside = sql.row("SELECT bytes FROM set_aside WHERE id = ?1", [id], |row| Ok(raw(row, 0)?.to_vec()))?;
        if aside.is_some() {
            return Ok(aside);
        }
        // Still among the others, if there was no room or no right to move it.
        let found = sql.row(
            "SELECT kind, hash, bytes, name FROM pieces JOIN documents ON documents.id = document
             WHERE pieces.id = ?1",
            [id],
            |row| {
                let intact = row.get::<_, String>(3)?.parse().is_ok_and(|name| is_intact(&name, row, 0));
                Ok((intact, raw(row, 2)?.to_vec()))
            },
        )?;
        Ok(found.and_then(|(intact, bytes)| (!intact).then_some(bytes)))
    }
}

/// A piece as it was read.
enum Found {
    Intact(Piece),
    Damaged(DamagedPiece),
}

impl Found {
    /// Reads `id, kind, hash, bytes`.
    fn read(row: &Row<'_>, document: &DocumentId) -> rusqlite::Result<Self> {
        let (id, bytes) = (piece_id(row)?, raw(row, 3)?);
        Ok(match kind(row, 1) {
            Some(kind) if is_intact(document, row, 1) => Self::Intact(Piece { id, kind, bytes: bytes.to_vec() }),
            _ => Self::Damaged(DamagedPiece { id, document: *document, length: bytes.len() as u64 }),
        })
    }
}

/// Tells whether `kind, hash, bytes`, from column `first` on, belong together.
fn is_intact(document: &DocumentId, row: &Row<'_>, first: usize) -> bool {
    let (Some(kind), Ok(hash), Ok(bytes)) = (kind(row, first), raw(row, first + 1), raw(row, first + 2)) else {
        return false;
    };
    hash == piece_hash(document, kind, bytes)
}

fn kind(row: &Row<'_>, column: usize) -> Option<PieceKind> {
    match row.get_ref(column) {
        Ok(ValueRef::Integer(0)) => Some(PieceKind::Snapshot),
        Ok(ValueRef::Integer(1)) => Some(PieceKind::Chunk),
        _ => None,
    }
}

fn kind_number(kind: PieceKind) -> i64 {
    match kind {
        PieceKind::Snapshot => 0,
        PieceKind::Chunk => 1,
    }
}

/// The bytes of a value, whatever damage has made of its type.
fn raw<'r>(row: &'r Row<'_>, column: usize) -> rusqlite::Result<&'r [u8]> {
    Ok(match row.get_ref(column)? {
        ValueRef::Blob(bytes) | ValueRef::Text(bytes) => bytes,
        ValueRef::Null | ValueRef::Integer(_) | ValueRef::Real(_) => &[],
    })
}

fn piece_id(row: &Row<'_>) -> rusqlite::Result<PieceId> {
    Ok(PieceId(row.get::<_, i64>(0)?.cast_unsigned()))
}

/// A count; one below zero, which only damage can make, is shown as 0 (the log works summaries out again).
fn count(row: &Row<'_>, column: usize) -> rusqlite::Result<u64> {
    Ok(u64::try_from(row.get::<_, i64>(column)?).unwrap_or(0))
}

/// Reads a line of the list, but for the document's name; that one must be read by somebody who may refuse it.
fn read_listed(row: &Row<'_>) -> rusqlite::Result<Listed> {
    let summary = Summary {
        entries: count(row, 1)?,
        shots: count(row, 2)?,
        first_ms: row.get(3)?,
        last_ms: row.get(4)?,
        title: String::from_utf8_lossy(raw(row, 5)?).into_owned(),
        state: State::from_bytes(raw(row, 6)?),
    };
    Ok(Listed {
        document: DocumentId::Register { part: 1 },
        summary,
        chunks: count(row, 7)?,
        bytes: count(row, 8)?,
        pieces: count(row, 9)?,
        ids: row.get::<_, i64>(10)?.cast_unsigned(),
        latest: row.get::<_, Option<i64>>(11)?.map(|id| PieceId(id.cast_unsigned())),
    })
}

fn read_name(name: &str) -> Result<DocumentId, StoreError> {
    name.parse().map_err(|_| StoreError::Damaged { what: "the name of a document cannot be read".to_owned() })
}

/// The number that stands for a document in the other tables, if the document was begun.
fn number_of(sql: &Sql<'_>, document: &DocumentId) -> Result<Option<i64>, StoreError> {
    sql.row("SELECT id FROM documents WHERE name = ?1", [document.to_string()], |row| row.get(0))
}

/// Writes the summary, and begins the document if it is new; returns its number.
fn write_summary(sql: &Sql<'_>, document: &DocumentId, summary: &Summary) -> Result<i64, StoreError> {
    let number = if let Some(number) = number_of(sql, document)? {
        number
    } else {
        sql.run("INSERT INTO documents (name, entries, shots, title) VALUES (?1, 0, 0, '')", [document.to_string()])?;
        sql.connection.last_insert_rowid()
    };
    let bounded = |count| i64::try_from(count).unwrap_or(i64::MAX);
    let Summary { entries, shots, first_ms, last_ms, title, state } = summary;
    let state = state.map(|state| state.to_bytes());
    sql.run(
        "UPDATE documents SET entries = ?2, shots = ?3, first_ms = ?4, last_ms = ?5, title = ?6, state = ?7
         WHERE id = ?1",
        params![number, bounded(*entries), bounded(*shots), first_ms, last_ms, title, state],
    )?;
    Ok(number)
}

fn add(
    sql: &Sql<'_>,
    number: i64,
    document: &DocumentId,
    kind: PieceKind,
    bytes: &[u8],
) -> Result<PieceId, StoreError> {
    let hash = piece_hash(document, kind, bytes);
    sql.run(
        "INSERT INTO pieces (document, kind, hash, bytes) VALUES (?1, ?2, ?3, ?4)",
        params![number, kind_number(kind), hash, bytes],
    )?;
    Ok(PieceId(sql.connection.last_insert_rowid().cast_unsigned()))
}

/// Removes a piece that a snapshot covers, once it is read back and found intact; a damaged one is set aside.
fn remove(sql: &Sql<'_>, number: i64, document: &DocumentId, piece: PieceId) -> Result<(), StoreError> {
    let Ok(id) = i64::try_from(piece.0) else { return Ok(()) };
    let intact =
        sql.row("SELECT kind, hash, bytes FROM pieces WHERE id = ?1 AND document = ?2", params![id, number], |row| {
            Ok(is_intact(document, row, 0))
        })?;
    match intact {
        Some(true) => sql.run("DELETE FROM pieces WHERE id = ?1", [id]).map(drop),
        Some(false) => set_aside(sql, piece),
        None => Ok(()),
    }
}

/// Removes a document with all that belongs to it, and notes that the file is to be cleared of what it leaves.
fn drop_document(sql: &Sql<'_>, document: &DocumentId) -> Result<(), StoreError> {
    sql.run("DELETE FROM kept WHERE substr(key, -length(?1)) = ?1", [format!("/{document}")])?;
    let Some(number) = number_of(sql, document)? else { return Ok(()) };
    sql.run("DELETE FROM pieces WHERE document = ?1", [number])?;
    sql.run("DELETE FROM set_aside WHERE document = ?1", [number])?;
    sql.run("DELETE FROM documents WHERE id = ?1", [number])?;
    sql.run("INSERT OR REPLACE INTO kept (key, value) VALUES (?1, x'01')", [LEFTOVERS]).map(drop)
}

/// Moves a piece to where damaged ones are kept; one that another process has moved already is left alone.
fn set_aside(sql: &Sql<'_>, piece: PieceId) -> Result<(), StoreError> {
    let id = piece.0.cast_signed();
    sql.run(
        "INSERT OR IGNORE INTO set_aside (id, document, kind, hash, bytes)
         SELECT id, document, kind, hash, bytes FROM pieces WHERE id = ?1",
        [id],
    )?;
    sql.run("DELETE FROM pieces WHERE id = ?1", [id]).map(drop)
}
