//! The shots as columns of small numbers, one row a real shot, for counting by a plain loop.
//!
//! Codes are given in the order of arrival, so they differ from device to device; the tables lead back to ids.

use super::bands::{Bands, WeatherField};
use super::codes::Dictionary;
use super::measure::{Class, Measure};
use crate::facts::{Conditions, FuseId, LotId, ModuleId, OutingId, TypeId, WiringKind};

/// One row, as it is written.
#[derive(Debug, Clone, Copy)]
pub(super) struct ColumnRow {
    pub(super) lot: u32,
    pub(super) fuse: u32,
    pub(super) module: u32,
    pub(super) outing: u32,
    pub(super) volley: u32,
    pub(super) igniter_type: u32,
    pub(super) wiring: WiringKind,
    pub(super) shots_in_volley: u32,
    pub(super) class: [Class; 5],
}

/// The columns; all have the same length, and row `n` is [`Ledger::shot_at`](super::Ledger::shot_at)`(n)`.
#[derive(Debug, Default)]
pub struct Columns {
    lot: Vec<u32>,
    fuse: Vec<u32>,
    module: Vec<u32>,
    outing: Vec<u32>,
    volley: Vec<u32>,
    igniter_type: Vec<u32>,
    wiring: Vec<u8>,
    shots_in_volley: Vec<u16>,
    bands: [Vec<u8>; 4],
    class: [Vec<u8>; 5],
    pub(super) lots: Dictionary<LotId>,
    pub(super) fuses: Dictionary<FuseId>,
    pub(super) modules: Dictionary<ModuleId>,
    pub(super) outings: Dictionary<OutingId>,
    pub(super) types: Dictionary<TypeId>,
}

macro_rules! every_column {
    ($columns:ident, $column:ident => $do:expr) => {{
        let $column = &mut $columns.lot;
        $do;
        let $column = &mut $columns.fuse;
        $do;
        let $column = &mut $columns.module;
        $do;
        let $column = &mut $columns.outing;
        $do;
        let $column = &mut $columns.volley;
        $do;
        let $column = &mut $columns.igniter_type;
        $do;
        let $column = &mut $columns.wiring;
        $do;
        let $column = &mut $columns.shots_in_volley;
        $do;
        for $column in $columns.bands.iter_mut().chain(&mut $columns.class) {
            $do;
        }
    }};
}

impl Columns {
    /// Returns the number of rows: of real shots.
    #[must_use]
    pub fn len(&self) -> usize {
        self.lot.len()
    }

    /// Tells whether there is no shot.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.lot.is_empty()
    }

    /// Returns each shot's lot, as a code of [`Columns::lots`].
    #[must_use]
    pub fn lot(&self) -> &[u32] {
        &self.lot
    }

    /// Returns each shot's fuse, as a code of [`Columns::fuses`]; 0 where none is named.
    #[must_use]
    pub fn fuse(&self) -> &[u32] {
        &self.fuse
    }

    /// Returns each shot's firing module, as a code of [`Columns::modules`]; 0 where none is named.
    #[must_use]
    pub fn module(&self) -> &[u32] {
        &self.module
    }

    /// Returns each shot's outing, as a code of [`Columns::outings`].
    #[must_use]
    pub fn outing(&self) -> &[u32] {
        &self.outing
    }

    /// Returns each shot's volley, as a number that shots of one volley share; of a volley that several devices wrote, the
    /// one with the smallest id.
    #[must_use]
    pub fn volley(&self) -> &[u32] {
        &self.volley
    }

    /// Returns the igniter type of each shot's lot, as a code of [`Columns::types`]; 0 where it is not known.
    #[must_use]
    pub fn igniter_type(&self) -> &[u32] {
        &self.igniter_type
    }

    /// Returns how each shot was wired, as the number of its [`WiringKind`].
    #[must_use]
    pub fn wiring(&self) -> &[u8] {
        &self.wiring
    }

    /// Returns how many shots each shot's volley holds, itself included; more than 1 is wired with others.
    #[must_use]
    pub fn shots_in_volley(&self) -> &[u16] {
        &self.shots_in_volley
    }

    /// Returns the weather band of each shot, as a code of [`Bands`]; 0 is unknown.
    #[must_use]
    pub fn band(&self, field: WeatherField) -> &[u8] {
        &self.bands[field as usize]
    }

    /// Returns what each shot counts as by a measure, as the number of its [`Class`].
    #[must_use]
    pub fn class(&self, measure: Measure) -> &[u8] {
        &self.class[measure as usize]
    }

    /// Returns the table of lots.
    #[must_use]
    pub fn lots(&self) -> &Dictionary<LotId> {
        &self.lots
    }

    /// Returns the table of fuses.
    #[must_use]
    pub fn fuses(&self) -> &Dictionary<FuseId> {
        &self.fuses
    }

    /// Returns the table of firing modules.
    #[must_use]
    pub fn modules(&self) -> &Dictionary<ModuleId> {
        &self.modules
    }

    /// Returns the table of outings.
    #[must_use]
    pub fn outings(&self) -> &Dictionary<OutingId> {
        &self.outings
    }

    /// Returns the table of igniter types.
    #[must_use]
    pub fn types(&self) -> &Dictionary<TypeId> {
        &self.types
    }

    pub(super) fn push(&mut self) {
        every_column!(self, column => column.push(0));
    }

    /// Removes a row; the last row takes its place.
    pub(super) fn remove(&mut self, row: u32) {
        every_column!(self, column => {
            column.swap_remove(row as usize);
        });
    }

    pub(super) fn write(&mut self, row: u32, r: ColumnRow) {
        let row = row as usize;
        self.lot[row] = r.lot;
        self.fuse[row] = r.fuse;
        self.module[row] = r.module;
        self.outing[row] = r.outing;
        self.volley[row] = r.volley;
        self.igniter_type[row] = r.igniter_type;
        self.wiring[row] = r.wiring.number();
        self.shots_in_volley[row] = u16::try_from(r.shots_in_volley).unwrap_or(u16::MAX);
        for (column, class) in self.class.iter_mut().zip(r.class) {
            column[row] = class.number();
        }
    }

    pub(super) fn write_weather(&mut self, row: u32, bands: &Bands, conditions: &Conditions) {
        for field in WeatherField::ALL {
            self.bands[*field as usize][row as usize] = bands.code(*field, conditions);
        }
    }

    /// Writes a lot's igniter type into all its rows.
    pub(super) fn write_type(&mut self, lot: u32, igniter_type: Option<TypeId>) {
        let code = self.types.code(igniter_type);
        for (lot_of, type_of) in self.lot.iter().zip(&mut self.igniter_type) {
            if *lot_of == lot {
                *type_of = code;
            }
        }
    }
}
