//! The store itself.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use embertally_core::facts::DocumentId;
use embertally_core::store::{
    DamagedPiece, Listed, Loaded, Piece, PieceId, PieceKind, Store, StoreError, Summary, Write, piece_hash,
};

use super::disk::{Disk, Side};
use super::record::{LEAD, Step, decode, encode, next_record};

/// The first bytes of a file in force: magic, version, its generation, a hash of these.
const HEADER: usize = 36;
const MAGIC: &[u8; 8] = b"EMBERWEB";
const VERSION: u32 = 1;

/// From how many useless bytes a file is written anew, if they are also more than what counts.
const USELESS: u64 = 1 << 20;

/// Where a piece stands.
#[derive(Debug, Clone, Copy)]
struct Place {
    kind: PieceKind,
    at: u64,
    length: u32,
    hash: [u8; 32],
}

#[derive(Debug, Default)]
struct Document {
    summary: Summary,
    pieces: BTreeMap<PieceId, Place>,
    aside: BTreeMap<PieceId, Place>,
}

#[derive(Debug)]
struct Inner<D> {
    disk: D,
    side: Side,
    generation: u64,
    /// Where the next record goes.
    end: u64,
    documents: BTreeMap<DocumentId, Document>,
    kept: BTreeMap<String, Vec<u8>>,
    last_piece: u64,
    /// Bytes that are no record and stand between records.
    lost: u64,
    /// Which file is in force is not known: nothing may be written any more.
    unsure: bool,
}

/// A store over two files. Clones are further handles on the same files.
#[derive(Debug)]
pub struct FileStore<D>(Arc<Mutex<Inner<D>>>);

impl<D> Clone for FileStore<D> {
    fn clone(&self) -> Self {
        Self(self.0.clone())
    }
}

fn header(generation: u64) -> [u8; HEADER] {
    let mut bytes = [0; HEADER];
    bytes[..8].copy_from_slice(MAGIC);
    bytes[8..12].copy_from_slice(&VERSION.to_le_bytes());
    bytes[12..20].copy_from_slice(&generation.to_le_bytes());
    let hash = blake3::hash(&bytes[..20]);
    bytes[20..].copy_from_slice(&hash.as_bytes()[..16]);
    bytes
}

/// Reads a file's first bytes: its generation, or nothing if it is not in force.
fn generation(bytes: &[u8]) -> Result<Option<u64>, StoreError> {
    let Some(found) = bytes.first_chunk::<HEADER>().filter(|b| b.starts_with(MAGIC)) else { return Ok(None) };
    let hash = blake3::hash(&found[..20]);
    if found[20..] != hash.as_bytes()[..16] {
        return Ok(None);
    }
    let (mut version, mut generation) = ([0; 4], [0; 8]);
    version.copy_from_slice(&found[8..12]);
    generation.copy_from_slice(&found[12..20]);
    match u32::from_le_bytes(version) {
        VERSION => Ok(Some(u64::from_le_bytes(generation))),
        newer => Err(StoreError::TooNew { found: newer, known: VERSION }),
    }
}

impl<D: Disk> FileStore<D> {
    /// Opens what the files hold, or begins a store in them if both are empty.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] if neither file is in force and one is not empty; [`StoreError::TooNew`]; what the disk
    /// gives.
    pub fn open(mut disk: D) -> Result<Self, StoreError> {
        let mut best: Option<(u64, Side)> = None;
        for side in [Side::A, Side::B] {
            if let Some(found) = generation(&disk.read(side, 0, HEADER)?)?
                && best.is_none_or(|(other, _)| found > other)
            {
                best = Some((found, side));
            }
        }
        let (generation, side) = match best {
            Some(found) => found,
            None => {
                // A first start that was cut off leaves less than a whole first record.
                if disk.size(Side::A)?.max(disk.size(Side::B)?) > HEADER as u64 {
                    return Err(StoreError::Damaged { what: "neither of its files begins as it should".to_owned() });
                }
                disk.write(Side::A, 0, &header(1))?;
                disk.flush(Side::A)?;
                (1, Side::A)
            }
        };
        let length = usize::try_from(disk.size(side)?).map_err(|_| StoreError::OutOfMemory)?;
        let bytes = disk.read(side, 0, length)?;
        let mut inner = Inner {
            disk,
            side,
            generation,
            end: HEADER as u64,
            documents: BTreeMap::new(),
            kept: BTreeMap::new(),
            last_piece: 0,
            lost: 0,
            unsure: false,
        };
        inner.replay(&bytes);
        Ok(Self(Arc::new(Mutex::new(inner))))
    }

    /// Every change to what is in memory is made in steps that cannot fail, so a panic elsewhere leaves it whole.
    fn inner(&self) -> MutexGuard<'_, Inner<D>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Returns how many bytes the file in force has.
    #[must_use]
    pub fn bytes(&self) -> u64 {
        self.inner().end
    }

    /// Returns how many bytes stand between records and are none; they are left where they are.
    #[must_use]
    pub fn lost_bytes(&self) -> u64 {
        self.inner().lost
    }
}

impl<D: Disk> Inner<D> {
    /// Takes in all records of the file, and finds its end.
    fn replay(&mut self, bytes: &[u8]) {
        let mut at = HEADER.min(bytes.len());
        loop {
            let rest = bytes.get(at..).unwrap_or_default();
            let whole = decode(rest).filter(|head| head.length <= rest.len() as u64);
            if let Some(head) = whole {
                let base = (at + head.pieces_at) as u64;
                self.apply(&head.steps, base, Some(bytes));
                at += usize::try_from(head.length).unwrap_or(usize::MAX);
                continue;
            }
            match next_record(bytes, at + 1) {
                Some(next) => {
                    self.lost += (next - at) as u64;
                    at = next;
                }
                // What is left was begun and never acknowledged; the next record is written over it.
                None => break,
            }
        }
        self.end = at as u64;
    }

    /// Takes in one record. `bytes` is the whole file where pieces have to be checked, none where they were just written.
    fn apply(&mut self, steps: &[Step], base: u64, bytes: Option<&[u8]>) {
        let mut at = base;
        let mut is_intact = BTreeMap::new();
        for step in steps {
            match step {
                Step::Piece { document: name, kind, id, hash, length, aside } => {
                    let place = Place { kind: *kind, at, length: *length, hash: *hash };
                    let good = !aside && bytes.is_none_or(|all| place.found_in(all, name));
                    is_intact.insert(*name, good);
                    let document = self.documents.entry(*name).or_default();
                    if good {
                        document.pieces.insert(*id, place)
                    } else {
                        document.aside.insert(*id, place)
                    };
                    self.last_piece = self.last_piece.max(id.0);
                    at += u64::from(*length);
                }
                Step::Summary { document, summary } => {
                    self.documents.entry(*document).or_default().summary.clone_from(summary);
                }
                // A snapshot that is damaged replaces nothing: the pieces before it are still there.
                Step::Drop { document: name, pieces } if is_intact.get(name).copied().unwrap_or(true) => {
                    let document = self.documents.entry(*name).or_default();
                    for id in pieces {
                        document.pieces.remove(id);
                    }
                }
                Step::Drop { .. } => {}
                Step::Gone { document } => {
                    self.documents.remove(document);
                    let ends = format!("/{document}");
                    self.kept.retain(|key, _| !key.ends_with(&ends));
                }
                Step::Keep { key, value } => drop(self.kept.insert(key.clone(), value.clone())),
                Step::Last(id) => self.last_piece = self.last_piece.max(*id),
            }
        }
    }

    fn read_place(&self, place: &Place) -> Result<Vec<u8>, StoreError> {
        self.disk.read(self.side, place.at, place.length as usize)
    }

    /// Reads a piece; `None` if its bytes are not what they were.
    fn read_piece(&self, name: &DocumentId, place: &Place) -> Result<Option<Vec<u8>>, StoreError> {
        let bytes = self.read_place(place)?;
        Ok((piece_hash(name, place.kind, &bytes) == place.hash).then_some(bytes))
    }

    /// Appends a record and makes it durable; if that fails, the file is as it was.
    fn append(&mut self, steps: &[Step], pieces: &[&[u8]]) -> Result<(), StoreError> {
        let record = encode(steps, pieces);
        let written = self.disk.write(self.side, self.end, &record).and_then(|()| self.disk.flush(self.side));
        if let Err(error) = written {
            let undone = self.disk.cut(self.side, self.end).and_then(|()| self.disk.flush(self.side));
            return Err(match undone {
                Ok(()) => error,
                Err(also) => StoreError::OutcomeUnknown { reason: format!("{error}; and {also}") },
            });
        }
        let head: usize = record.len() - pieces.iter().map(|p| p.len()).sum::<usize>();
        let base = self.end + head as u64;
        self.end += record.len() as u64;
        self.apply(steps, base, None);
        Ok(())
    }

    /// How many bytes would be written if the file were written anew, heads of records left out.
    fn useful(&self) -> u64 {
        let pieces = self.documents.values().flat_map(|d| d.pieces.values().chain(d.aside.values()));
        let pieces: u64 = pieces.map(|p| u64::from(p.length) + LEAD as u64).sum();
        pieces + self.kept.iter().map(|(key, value)| (key.len() + value.len()) as u64).sum::<u64>()
    }

    /// Writes what counts to the other file, and goes on there.
    fn renew(&mut self) -> Result<(), StoreError> {
        let to = self.side.other();
        let mut steps = vec![Step::Last(self.last_piece)];
        steps.extend(self.kept.iter().map(|(key, value)| Step::Keep { key: key.clone(), value: value.clone() }));
        let mut bytes = Vec::new();
        for (name, document) in &self.documents {
            let all = document.pieces.iter().map(|p| (p, false)).chain(document.aside.iter().map(|p| (p, true)));
            for ((id, place), aside) in all {
                bytes.push(self.read_place(place)?);
                let Place { kind, hash, length, .. } = *place;
                steps.push(Step::Piece { document: *name, kind, id: *id, hash, length, aside });
            }
            steps.push(Step::Summary { document: *name, summary: document.summary.clone() });
        }
        let pieces: Vec<&[u8]> = bytes.iter().map(Vec::as_slice).collect();
        let record = encode(&steps, &pieces);
        self.disk.cut(to, 0)?;
        self.disk.write(to, HEADER as u64, &record)?;
        self.disk.flush(to)?;
        // From here on the other file counts, unless it is made not to.
        let begun = self.disk.write(to, 0, &header(self.generation + 1)).and_then(|()| self.disk.flush(to));
        if let Err(error) = begun {
            self.unsure = self.disk.cut(to, 0).and_then(|()| self.disk.flush(to)).is_err();
            return Err(error);
        }
        let body: usize = pieces.iter().map(|p| p.len()).sum();
        let from = self.side;
        (self.side, self.generation) = (to, self.generation + 1);
        self.end = (HEADER + record.len()) as u64;
        self.lost = 0;
        self.documents.clear();
        self.kept.clear();
        let base = (HEADER + record.len() - body) as u64;
        self.apply(&steps, base, None);
        // It no longer counts; should this fail, it is cut the next time.
        let _ = self.disk.cut(from, 0);
        Ok(())
    }
}

impl Place {
    fn found_in(&self, all: &[u8], name: &DocumentId) -> bool {
        let range = usize::try_from(self.at).ok().and_then(|at| all.get(at..at.checked_add(self.length as usize)?));
        range.is_some_and(|bytes| piece_hash(name, self.kind, bytes) == self.hash)
    }
}

impl<D: Disk> Store for FileStore<D> {
    fn list(&self) -> Result<Vec<Listed>, StoreError> {
        let line = |(name, document): (&DocumentId, &Document)| Listed {
            document: *name,
            summary: document.summary.clone(),
            chunks: document.pieces.values().filter(|piece| piece.kind == PieceKind::Chunk).count() as u64,
            pieces: document.pieces.len() as u64,
            ids: document.pieces.keys().fold(0, |sum, id| sum.wrapping_add(id.0)),
            latest: document.pieces.keys().next_back().copied(),
            bytes: document.pieces.values().map(|piece| u64::from(piece.length)).sum(),
        };
        Ok(self.inner().documents.iter().map(line).collect())
    }

    fn load(&mut self, name: &DocumentId) -> Result<Loaded, StoreError> {
        let mut inner = self.inner();
        let Some(document) = inner.documents.get(name) else { return Ok(Loaded::default()) };
        let (mut pieces, mut damaged) = (Vec::new(), Vec::new());
        for (id, place) in &document.pieces {
            match inner.read_piece(name, place)? {
                Some(bytes) => pieces.push(Piece { id: *id, kind: place.kind, bytes }),
                None => damaged.push(*id),
            }
        }
        let document = inner.documents.entry(*name).or_default();
        for id in damaged {
            if let Some(place) = document.pieces.remove(&id) {
                document.aside.insert(id, place);
            }
        }
        let damage = |(id, place): (&PieceId, &Place)| DamagedPiece {
            id: *id,
            document: *name,
            length: u64::from(place.length),
        };
        Ok(Loaded { pieces, damaged: document.aside.iter().map(damage).collect() })
    }

    fn news(&self, after: PieceId) -> Result<Vec<(PieceId, DocumentId)>, StoreError> {
        let inner = self.inner();
        let newer = |(name, document): (&DocumentId, &Document)| {
            document.pieces.keys().filter(|id| **id > after).map(|id| (*id, *name)).collect::<Vec<_>>()
        };
        let mut news: Vec<_> = inner.documents.iter().flat_map(newer).collect();
        news.sort_unstable();
        Ok(news)
    }

    fn commit(&mut self, writes: &[Write]) -> Result<Vec<PieceId>, StoreError> {
        if writes.is_empty() {
            return Ok(Vec::new());
        }
        let mut inner = self.inner();
        let inner = &mut *inner;
        if inner.unsure {
            let reason = "the browser failed while the log was being put in order; open the page anew".to_owned();
            return Err(StoreError::Other { reason, source: None });
        }
        let (mut steps, mut pieces, mut ids) = (Vec::new(), Vec::new(), Vec::new());
        let mut next = inner.last_piece;
        let (mut damaged, mut gone) = (Vec::new(), false);
        for write in writes {
            let (document, bytes, kind, summary) = match write {
                Write::Append { document, chunk, summary } => (document, chunk, PieceKind::Chunk, summary),
                Write::Compact { document, snapshot, summary, .. } => {
                    (document, snapshot, PieceKind::Snapshot, summary)
                }
                Write::Keep { key, value } => {
                    steps.push(Step::Keep { key: key.clone(), value: value.clone() });
                    continue;
                }
                Write::Drop { document } => {
                    steps.push(Step::Gone { document: *document });
                    gone = true;
                    continue;
                }
            };
            next += 1;
            let (id, hash) = (PieceId(next), piece_hash(document, kind, bytes));
            let length = u32::try_from(bytes.len()).map_err(|_| StoreError::Full)?;
            steps.push(Step::Piece { document: *document, kind, id, hash, length, aside: false });
            steps.push(Step::Summary { document: *document, summary: summary.clone() });
            pieces.push(bytes.as_slice());
            ids.push(id);
            if let Write::Compact { covers, .. } = write {
                let mut intact = Vec::new();
                for id in covers {
                    let place = inner.documents.get(document).and_then(|d| d.pieces.get(id)).copied();
                    match place {
                        Some(place) if inner.read_piece(document, &place)?.is_some() => intact.push(*id),
                        Some(_) => damaged.push((*document, *id)),
                        None => {}
                    }
                }
                steps.push(Step::Drop { document: *document, pieces: intact });
            }
        }
        steps.push(Step::Last(next));
        inner.append(&steps, &pieces)?;
        for (name, id) in damaged {
            let document = inner.documents.entry(name).or_default();
            if let Some(place) = document.pieces.remove(&id) {
                document.aside.insert(id, place);
            }
        }
        let useful = inner.useful();
        // What is gone must be gone from the file too.
        if gone || inner.end > useful.saturating_mul(2).saturating_add(USELESS) {
            // The commit stands; writing the file anew can wait.
            let _ = inner.renew();
        }
        Ok(ids)
    }

    fn kept(&self, key: &str) -> Result<Option<Vec<u8>>, StoreError> {
        Ok(self.inner().kept.get(key).cloned())
    }

    fn set_aside(&self, piece: PieceId) -> Result<Option<Vec<u8>>, StoreError> {
        let inner = self.inner();
        let place = inner.documents.values().find_map(|document| document.aside.get(&piece)).copied();
        place.map(|place| inner.read_place(&place)).transpose()
    }
}

impl<D: Disk> FileStore<D> {
    /// Returns where a piece's bytes stand, for tests that damage them.
    #[cfg(test)]
    pub(super) fn place_of(&self, piece: PieceId) -> Option<(Side, u64, u32)> {
        let inner = self.inner();
        let of = |d: &Document| d.pieces.get(&piece).or_else(|| d.aside.get(&piece)).map(|p| (p.at, p.length));
        inner.documents.values().find_map(of).map(|(at, length)| (inner.side, at, length))
    }

    /// Writes the file anew, whatever its size.
    #[cfg(test)]
    pub(super) fn renew(&self) -> Result<(), StoreError> {
        self.inner().renew()
    }
}
