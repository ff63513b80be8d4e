//! From facts to findings: one finding a real shot, causes, disputes, what is still live, and columns for counting.
//!
//! Entries may be added in any order and more than once. After [`Ledger::settle`] everything that can be seen depends
//! only on the set of entries, except the order of rows and codes in [`Columns`]. Adding is cheap; settling looks only
//! at what the new entries touch, and the first settling of a whole log takes the same path.
//!
//! By file, in the order of the work: `shelf` (facts as they came), `effect` (which count), `register`, `outings`,
//! `volleys` and `joining` (slots and real shots), `judging` (`finding`, `causes`, `measure`, `bands`), `columns`; worked
//! out when asked for: `disputes`, `proposals`, `agreement`, `aside`, `view`.
//!
//! Not for: rates and verdicts (`crate::rates`), string physics (`crate::circuit`), keeping facts ([`crate::store`]).

mod agreement;
mod aside;
mod bands;
mod book;
mod bridges;
mod causes;
mod changes;
mod choices;
mod codes;
mod columns;
mod disputes;
mod effect;
mod finding;
mod joining;
mod judging;
mod lists;
mod measure;
mod outings;
mod proposals;
mod register;
mod shelf;
#[cfg(test)]
mod tests;
mod view;
mod volleys;

pub use agreement::{Agreement, CATEGORIES, ManyTable, PairTable};
pub use aside::{Aside, AsideView};
pub use bands::{Bands, UNKNOWN_BAND, WeatherField};
pub use bridges::{BridgeFinding, BridgeReadingView};
pub use causes::{Blame, Case, Grounds, ModuleProof, blame};
pub use changes::LiveChanges;
pub use choices::{Choice, Choices, Outcome};
pub use codes::Dictionary;
pub use columns::Columns;
pub use disputes::{Dispute, Statement, Subject};
pub use finding::{DelayFinding, Finding, LiveReason, Trial};
pub use measure::{Class, Measure};
pub use proposals::{Likeness, Proposal};
pub use register::{Drawer, Register, Registered};
pub use view::{Observer, ShotView, SightingView, SightingsView, VolleyView};

use book::Book;
use codes::NONE;
use effect::{Change, Effect};
use judging::World;
use outings::Outings;
use shelf::{FactRef, Shelf};

use crate::facts::{Entry, Fact, FactId, ShotId, VolleyId};

/// One shot on the live list.
#[derive(Debug, Clone, Copy)]
pub struct LiveShot<'a> {
    /// Why it is there; [`LiveReason::Unseen`] is meant to be shown apart.
    pub reason: LiveReason,
    /// The shot.
    pub shot: ShotView<'a>,
}

/// What the facts add up to.
#[derive(Debug)]
pub struct Ledger {
    shelf: Shelf,
    effect: Effect,
    register: Register,
    outings: Outings,
    book: Book,
    bands: Bands,
    /// Rows before this one are settled.
    settled: u32,
}

impl Default for Ledger {
    fn default() -> Self {
        Self::new()
    }
}

impl Ledger {
    /// Begins an empty ledger with the usual weather bands.
    #[must_use]
    pub fn new() -> Self {
        Self::with_bands(Bands::default())
    }

    /// Begins an empty ledger with other weather bands.
    #[must_use]
    pub fn with_bands(bands: Bands) -> Self {
        Self {
            shelf: Shelf::default(),
            effect: Effect::default(),
            register: Register::default(),
            outings: Outings::default(),
            book: Book::new(),
            bands: bands.in_order(),
            settled: 0,
        }
    }

    /// Adds an entry; one that is there already, by its id, changes nothing.
    ///
    /// One id must always come with one content: the log sees to that. What is added shows after [`Ledger::settle`].
    pub fn add(&mut self, entry: &Entry) {
        self.shelf.put(entry);
    }

    /// Works out anew what the entries added since the last time touch.
    pub fn settle(&mut self) {
        if self.settled as usize == self.shelf.rows().len() {
            return;
        }
        let changes = self.effect.settle(&mut self.shelf, self.settled);
        self.settled = self.shelf.rows().len() as u32;
        for change in &changes {
            self.touch(*change);
        }
        let changed = self.register.settle(&self.shelf);
        for id in changed.outings {
            let outing = self.book.columns.outings.code(Some(id));
            let stated = self.register.outings().get(id).map(|o| &o.value);
            if self.outings.take(outing, stated) {
                let volleys: Vec<u32> = self.book.by_outing.items(outing).collect();
                volleys.into_iter().for_each(|volley| self.book.mark_volley(volley));
            }
        }
        if !changed.types.is_empty() || !changed.lots.is_empty() {
            // What a bridge should measure may have come, or changed.
            self.book.mark_read();
        }
        for id in changed.lots {
            self.book.retype(&self.register, id);
        }
        let weather = self.outings.settle(&self.shelf);
        self.book.rebuild(&self.shelf, &self.outings);
        self.book.join(&self.shelf);
        self.judge();
        for outing in weather {
            self.book.reweather(&self.outings, &self.bands, outing);
        }
    }

    fn judge(&mut self) {
        let world = World { shelf: &self.shelf, outings: &self.outings, register: &self.register, bands: &self.bands };
        self.book.judge(&world);
    }

    /// Judges every shot anew from what is settled: what was seen, why it failed, what counts. It changes nothing that can
    /// be seen; it is there to measure the attribution by itself.
    #[doc(hidden)]
    pub fn judge_anew(&mut self) {
        self.book.unjudged.extend((0..).zip(&self.book.slots).filter(|(_, s)| s.volley != NONE).map(|(slot, _)| slot));
        self.judge();
    }

    /// Marks what hangs on a fact whose standing changed.
    fn touch(&mut self, change: Change) {
        let row = self.shelf.row(change.row);
        let touch_named = |book: &mut Book, id: VolleyId| {
            let volley = self.shelf.find(id.0).and_then(|at| book.resolve(&self.shelf, at));
            // A volley that has not come yet looks for what names it when it comes.
            if let Some(volley) = volley {
                book.mark_volley(volley);
            }
        };
        match &row.fact {
            Fact::Volley(_) => {
                self.book.touch_root(row.root);
                if change.old_root != row.root && self.book.by_root.contains_key(&change.old_root) {
                    self.book.touch_root(change.old_root);
                }
            }
            Fact::Sightings(s) => touch_named(&mut self.book, s.volley),
            Fact::Ruling(r) => touch_named(&mut self.book, r.shot.volley),
            Fact::BridgeReading(r) => touch_named(&mut self.book, r.shot.volley),
            Fact::Match(m) => {
                touch_named(&mut self.book, m.first);
                touch_named(&mut self.book, m.second);
            }
            Fact::MadeSafe(m) => m.shots.iter().for_each(|shot| touch_named(&mut self.book, shot.volley)),
            Fact::Reading(r) => {
                let outing = self.book.columns.outings.code(Some(r.outing));
                self.outings.touch_reading(outing, change.row);
            }
            fact => self.register.touch(fact, change.row),
        }
    }

    /// Returns the register.
    #[must_use]
    pub fn register(&self) -> &Register {
        &self.register
    }

    /// Returns the weather bands.
    #[must_use]
    pub fn bands(&self) -> &Bands {
        &self.bands
    }

    /// Returns the columns.
    #[must_use]
    pub fn columns(&self) -> &Columns {
        &self.book.columns
    }

    /// Returns the volleys in effect, by id, with the sightings of each. Sorts when called.
    pub fn volleys(&self) -> impl Iterator<Item = VolleyView<'_>> {
        let in_effect = (0..).zip(&self.book.volleys).filter(|(_, v)| v.content != NONE);
        let mut rows: Vec<(FactId, u32)> = in_effect.map(|(i, v)| (self.shelf.id(v.root), i)).collect();
        rows.sort_unstable();
        rows.into_iter().filter_map(|(_, volley)| self.view_volley(volley))
    }

    /// Returns the volley that an id means, the id of a correction included; `None` if none in effect.
    #[must_use]
    pub fn volley(&self, id: VolleyId) -> Option<VolleyView<'_>> {
        let at: FactRef = self.shelf.find(id.0)?;
        self.view_volley(self.book.resolve(&self.shelf, at)?)
    }

    /// Returns the real shots, by id. Sorts when called.
    pub fn shots(&self) -> impl Iterator<Item = ShotView<'_>> {
        self.sorted_rows().into_iter().filter_map(|row| self.view_shot(row))
    }

    /// Returns the real shot that any of its slots' ids means.
    #[must_use]
    pub fn finding(&self, id: ShotId) -> Option<ShotView<'_>> {
        let slot = self.book.find_slot(&self.shelf, id)?;
        self.view_shot(self.book.slot(slot).shot)
    }

    /// Returns the real shot in a row of the columns.
    #[must_use]
    pub fn shot_at(&self, row: usize) -> Option<ShotView<'_>> {
        self.view_shot(u32::try_from(row).ok()?)
    }

    /// Returns the shots to be treated as live, by id.
    #[must_use]
    pub fn live(&self) -> Vec<LiveShot<'_>> {
        let rows = (0..).zip(&self.book.shots).filter(|(_, s)| s.live.is_some()).map(|(row, _)| row);
        let shots = self.in_order(rows).into_iter().filter_map(|row| self.view_shot(row));
        shots.filter_map(|shot| Some(LiveShot { reason: shot.live?, shot })).collect()
    }

    fn sorted_rows(&self) -> Vec<u32> {
        self.in_order(0..self.book.shots.len() as u32)
    }

    fn in_order(&self, rows: impl Iterator<Item = u32>) -> Vec<u32> {
        let mut rows: Vec<(ShotId, u32)> = rows.map(|row| (self.book.shot_id(&self.shelf, row), row)).collect();
        rows.sort_unstable();
        rows.into_iter().map(|(_, row)| row).collect()
    }
}
