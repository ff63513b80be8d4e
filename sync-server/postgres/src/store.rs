//! The store itself: what each operation is in SQL.

use std::collections::BTreeMap;

use embertally_core::facts::DocumentId;
use embertally_core::store::{
    DamagedPiece, Listed, Loaded, PieceId, PieceKind, Store, StoreError, Summary, Write, piece_hash,
};

use tokio_postgres::Row;

use crate::database::Database;
use crate::rows::{self, Found, bounded, kind_number, value};
use crate::session::Session;

/// One crew's part of a database.
///
/// Cheap to open and to keep; any number of them, on any number of servers, may be open for one crew. A commit waits
/// while another of the same crew is going on, and for no other crew's.
#[derive(Debug, Clone)]
pub struct PostgresStore {
    database: Database,
    crew: [u8; 16],
    /// What stands for the crew in the tables.
    number: i64,
}

impl PostgresStore {
    /// Opens the crew's store, and begins it if the database does not know the crew.
    ///
    /// Whether there is such a crew is for the caller to know: each unknown id that gets here makes one row.
    ///
    /// # Errors
    /// Any [`StoreError`] but `OutcomeUnknown` as the database gives it.
    pub fn open(database: &Database, crew: [u8; 16]) -> Result<Self, StoreError> {
        let session = database.session()?;
        let find = || session.row("SELECT number FROM crews WHERE crew = $1", &[&&crew[..]]);
        let row = match find()? {
            Some(row) => Some(row),
            None => {
                session.run("INSERT INTO crews (crew) VALUES ($1) ON CONFLICT DO NOTHING", &[&&crew[..]])?;
                find()?
            }
        };
        let gone = || StoreError::Damaged { what: "a crew that was just begun is not there".to_owned() };
        let number = value(&row.ok_or_else(gone)?, 0)?;
        drop(session);
        Ok(Self { database: database.clone(), crew, number })
    }

    /// Returns the crew whose store this is.
    #[must_use]
    pub fn crew(&self) -> [u8; 16] {
        self.crew
    }

    /// Names the next `pieces` pieces; returns the id before the first. Until the commit stands no other of this crew can
    /// do the same, and when it stands the listeners are told.
    fn name_pieces(&self, session: &Session<'_>, pieces: usize) -> Result<i64, StoreError> {
        let wanted = bounded(pieces as u64);
        let row = session.row(
            "UPDATE crews SET last_piece = last_piece + $2 WHERE number = $1
             RETURNING last_piece, pg_notify(current_schema(), encode(crew, 'hex') || ' ' || last_piece)",
            &[&self.number, &wanted],
        )?;
        let gone = || StoreError::Damaged { what: "the crew is gone from the database".to_owned() };
        Ok(value::<i64>(&row.ok_or_else(gone)?, 0)? - wanted)
    }

    /// Writes the summary, begins the document if it is new, and adds the piece.
    fn add(
        &self,
        session: &Session<'_>,
        id: i64,
        document: &DocumentId,
        summary: &Summary,
        kind: PieceKind,
        bytes: &[u8],
    ) -> Result<(), StoreError> {
        let Summary { entries, shots, first_ms, last_ms, title, state } = summary;
        let state = state.map(|state| state.to_bytes());
        let hash = piece_hash(document, kind, bytes);
        session.run(
            "WITH written AS (
                 INSERT INTO documents (crew, name, entries, shots, first_ms, last_ms, title, state)
                 VALUES ($1, $2, $3, $4, $5, $6, $7, $8)
                 ON CONFLICT (crew, name) DO UPDATE
                 SET entries = excluded.entries, shots = excluded.shots, first_ms = excluded.first_ms,
                     last_ms = excluded.last_ms, title = excluded.title, state = excluded.state
                 RETURNING number)
             INSERT INTO pieces (crew, id, document, kind, hash, bytes) SELECT $1, $9, number, $10, $11, $12 FROM written",
            &[
                &self.number,
                &document.to_string(),
                &bounded(*entries),
                &bounded(*shots),
                first_ms,
                last_ms,
                &title.as_bytes(),
                &state.as_ref().map(|bytes| &bytes[..]),
                &id,
                &kind_number(kind),
                &&hash[..],
                &bytes,
            ],
        )?;
        Ok(())
    }

    /// Removes the pieces that a snapshot covers, once they are read back and found intact; damaged ones are set aside.
    fn remove(&self, session: &Session<'_>, document: &DocumentId, covers: &[PieceId]) -> Result<(), StoreError> {
        let ids: Vec<i64> = covers.iter().filter_map(|id| i64::try_from(id.0).ok()).collect();
        if ids.is_empty() {
            return Ok(());
        }
        let rows = session.rows(
            "SELECT id, kind, hash, bytes FROM pieces JOIN documents ON number = document
             WHERE pieces.crew = $1 AND id = ANY ($2) AND name = $3",
            &[&self.number, &ids, &document.to_string()],
        )?;
        let (mut intact, mut harmed) = (Vec::new(), Vec::new());
        for row in &rows {
            match rows::found(row, 0, document)? {
                Found::Intact(piece) => intact.push(piece.id.0.cast_signed()),
                Found::Damaged(piece) => harmed.push(piece.id.0.cast_signed()),
            }
        }
        if !intact.is_empty() {
            session.run("DELETE FROM pieces WHERE crew = $1 AND id = ANY ($2)", &[&self.number, &intact])?;
        }
        self.move_aside(session, &harmed)
    }

    /// Removes a document with all that belongs to it.
    ///
    /// The database reuses the rows' room after that, and until then, and in its write-ahead log and its backups, their
    /// bytes can be found by whoever reads its files.
    fn drop_document(&self, session: &Session<'_>, document: &DocumentId) -> Result<(), StoreError> {
        let name = document.to_string();
        session.run(
            "DELETE FROM kept WHERE crew = $1 AND right(key, length($2) + 1) = '/' || $2",
            &[&self.number, &name],
        )?;
        for table in ["pieces", "set_aside"] {
            let all = format!(
                "DELETE FROM {table} WHERE crew = $1
                 AND document = (SELECT number FROM documents WHERE crew = $1 AND name = $2)"
            );
            session.run(&all, &[&self.number, &name])?;
        }
        session.run("DELETE FROM documents WHERE crew = $1 AND name = $2", &[&self.number, &name])?;
        Ok(())
    }

    /// Moves pieces to where damaged ones are kept; those that another has moved already are left alone.
    fn move_aside(&self, session: &Session<'_>, ids: &[i64]) -> Result<(), StoreError> {
        if ids.is_empty() {
            return Ok(());
        }
        session.run(
            "WITH gone AS (DELETE FROM pieces WHERE crew = $1 AND id = ANY ($2)
                           RETURNING crew, id, document, kind, hash, bytes)
             INSERT INTO set_aside (crew, id, document, kind, hash, bytes) SELECT * FROM gone ON CONFLICT DO NOTHING",
            &[&self.number, &ids],
        )?;
        Ok(())
    }
}

/// Reading in spite of damage below the database's own checks.
impl PostgresStore {
    /// Reads a document's pieces newer than `after`, with their bytes or without, and the lengths of those set aside.
    fn read(
        &self,
        session: &Session<'_>,
        document: &DocumentId,
        after: PieceId,
        bytes: bool,
    ) -> Result<Vec<Row>, StoreError> {
        // One statement, so that a piece cannot be set aside between the two parts and be in neither.
        session.rows(
            "SELECT false, id, kind, hash, CASE WHEN $4 THEN bytes END, octet_length(bytes) FROM pieces
             WHERE document = (SELECT number FROM documents WHERE crew = $1 AND name = $2) AND id > $3
             UNION ALL
             SELECT true, id, NULL, NULL, NULL, octet_length(bytes) FROM set_aside
             WHERE document = (SELECT number FROM documents WHERE crew = $1 AND name = $2)
             ORDER BY 2",
            &[&self.number, &document.to_string(), &bounded(after.0), &bytes],
        )
    }

    /// The same where a page of the database is damaged, which fails every statement that reads it: the rows that can be
    /// read, and the pieces that cannot.
    fn read_one_by_one(
        &self,
        session: &Session<'_>,
        document: &DocumentId,
        after: PieceId,
    ) -> Result<(Vec<Row>, Vec<DamagedPiece>), StoreError> {
        let (mut rows, mut unreadable) = (Vec::new(), Vec::new());
        for row in self.read(session, document, after, false)? {
            if value(&row, 0)? {
                rows.push(row);
                continue;
            }
            let id = rows::piece_id(&row, 1)?;
            let alone = "SELECT false, id, kind, hash, bytes, 0 FROM pieces WHERE crew = $1 AND id = $2";
            match session.row(alone, &[&self.number, &id.0.cast_signed()]) {
                // None: compacted meanwhile.
                Ok(found) => rows.extend(found),
                Err(StoreError::Damaged { .. }) => {
                    let length = u64::from(value::<i32>(&row, 5)?.unsigned_abs());
                    unreadable.push(DamagedPiece { id, document: *document, length });
                }
                Err(error) => return Err(error),
            }
        }
        Ok((rows, unreadable))
    }
}

impl Store for PostgresStore {
    fn list(&self) -> Result<Vec<Listed>, StoreError> {
        // octet_length() of a value that is kept apart does not read it.
        let rows = self.database.session()?.rows(
            "WITH sizes AS (
                 SELECT document, count(*) FILTER (WHERE kind = 1) AS chunks, sum(octet_length(bytes))::bigint AS size,
                        count(*) AS pieces, sum(id)::bigint AS ids, max(id) AS latest
                 FROM pieces WHERE crew = $1 GROUP BY document)
             SELECT name, entries, shots, first_ms, last_ms, title, state,
                    coalesce(chunks, 0), coalesce(size, 0), coalesce(pieces, 0), coalesce(ids, 0), latest
             FROM documents LEFT JOIN sizes ON document = number WHERE crew = $1",
            &[&self.number],
        )?;
        let mut list = rows.iter().map(rows::listed).collect::<Result<Vec<_>, StoreError>>()?;
        list.sort_unstable_by_key(|line| line.document);
        Ok(list)
    }

    fn load(&mut self, document: &DocumentId) -> Result<Loaded, StoreError> {
        self.load_after(document, PieceId(0))
    }

    fn load_after(&mut self, document: &DocumentId, after: PieceId) -> Result<Loaded, StoreError> {
        let session = self.database.session()?;
        let (mut damaged, mut harmed) = (BTreeMap::new(), Vec::new());
        let rows = match self.read(&session, document, after, true) {
            Err(StoreError::Damaged { .. }) => {
                let (rows, unreadable) = self.read_one_by_one(&session, document, after)?;
                // Where they are they stay: what cannot be read cannot be moved.
                damaged.extend(unreadable.into_iter().map(|piece| (piece.id, piece)));
                rows
            }
            rows => rows?,
        };
        let mut pieces = Vec::with_capacity(rows.len());
        for row in &rows {
            if value(row, 0)? {
                let (id, length) = (rows::piece_id(row, 1)?, value::<i32>(row, 5)?);
                damaged.insert(id, DamagedPiece { id, document: *document, length: u64::from(length.unsigned_abs()) });
                continue;
            }
            match rows::found(row, 1, document)? {
                Found::Intact(piece) => pieces.push(piece),
                Found::Damaged(piece) => {
                    harmed.push(piece.id.0.cast_signed());
                    damaged.insert(piece.id, piece);
                }
            }
        }
        match self.move_aside(&session, &harmed) {
            // Reading needs neither room nor rights: the piece stays where it is and is found again next time.
            Ok(()) | Err(StoreError::Full | StoreError::ReadOnly { .. } | StoreError::Busy { .. }) => {}
            Err(error) => return Err(error),
        }
        Ok(Loaded { pieces, damaged: damaged.into_values().collect() })
    }

    fn news(&self, after: PieceId) -> Result<Vec<(PieceId, DocumentId)>, StoreError> {
        let rows = self.database.session()?.rows(
            "SELECT id, name FROM pieces JOIN documents ON number = document
             WHERE pieces.crew = $1 AND id > $2 ORDER BY id",
            &[&self.number, &bounded(after.0)],
        )?;
        rows.iter().map(|row| Ok((rows::piece_id(row, 0)?, rows::name(row, 1)?))).collect()
    }

    fn commit(&mut self, writes: &[Write]) -> Result<Vec<PieceId>, StoreError> {
        if writes.is_empty() {
            return Ok(Vec::new());
        }
        let adds = |write: &&Write| matches!(write, Write::Append { .. } | Write::Compact { .. });
        let (pieces, drops) =
            (writes.iter().filter(adds).count(), writes.iter().any(|write| matches!(write, Write::Drop { .. })));
        let session = self.database.session()?;
        let ids = session.write(|session| {
            // A drop holds the crew's row too: nobody adds to a document while it goes.
            let mut last = if pieces > 0 || drops { self.name_pieces(session, pieces)? } else { 0 };
            let first = last;
            for write in writes {
                match write {
                    Write::Append { document, chunk, summary } => {
                        last += 1;
                        self.add(session, last, document, summary, PieceKind::Chunk, chunk)?;
                    }
                    Write::Compact { document, covers, snapshot, summary } => {
                        self.remove(session, document, covers)?;
                        last += 1;
                        self.add(session, last, document, summary, PieceKind::Snapshot, snapshot)?;
                    }
                    Write::Drop { document } => self.drop_document(session, document)?,
                    Write::Keep { key, value } => {
                        session.run(
                            "INSERT INTO kept (crew, key, value) VALUES ($1, $2, $3)
                             ON CONFLICT (crew, key) DO UPDATE SET value = excluded.value",
                            &[&self.number, key, value],
                        )?;
                    }
                }
            }
            Ok((first..last).map(|before| PieceId((before + 1).cast_unsigned())).collect())
        })?;
        if drops {
            // Frees the rows' room at once; no part of the commit, which stands. The database does it anyway in time.
            for table in ["pieces", "set_aside", "documents", "kept"] {
                let _ = session.batch(&format!("VACUUM {table}"));
            }
        }
        Ok(ids)
    }

    fn kept(&self, key: &str) -> Result<Option<Vec<u8>>, StoreError> {
        let session = self.database.session()?;
        let row = session.row("SELECT value FROM kept WHERE crew = $1 AND key = $2", &[&self.number, &key])?;
        row.map(|row| value(&row, 0)).transpose()
    }

    fn set_aside(&self, piece: PieceId) -> Result<Option<Vec<u8>>, StoreError> {
        let Ok(id) = i64::try_from(piece.0) else { return Ok(None) };
        // Still among the others, if there was no room or no right to move it.
        let rows = self.database.session()?.rows(
            "SELECT true, NULL, id, kind, hash, bytes FROM set_aside WHERE crew = $1 AND id = $2
             UNION ALL
             SELECT false, name, id, kind, hash, bytes FROM pieces JOIN documents ON number = document
             WHERE pieces.crew = $1 AND id = $2",
            &[&self.number, &id],
        )?;
        for row in &rows {
            let damaged =
                value::<bool>(row, 0)? || !matches!(rows::found(row, 2, &rows::name(row, 1)?)?, Found::Intact(_));
            if damaged {
                return value(row, 5).map(Some);
            }
        }
        Ok(None)
    }
}
