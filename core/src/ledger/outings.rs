//! What an outing's shots need to know of it: its kind, its limit for slow, and its weather readings in time.

use std::collections::BTreeSet;

use super::shelf::{Shelf, Standing};
use crate::facts::{Conditions, Fact, Humidity, Outing, OutingKind, Precipitation, Temperature, WindSpeed};

/// The readings of one field in order of time, so that one field's gaps do not hide another's values.
#[derive(Debug)]
struct Series<T>(Vec<(i64, T)>);

impl<T> Default for Series<T> {
    fn default() -> Self {
        Self(Vec::new())
    }
}

impl<T: Copy> Series<T> {
    /// Of two readings at one moment the first counts: readings are put in by id.
    fn put(&mut self, at_ms: i64, value: Option<T>) {
        if let Some(value) = value
            && self.0.last().is_none_or(|(last, _)| *last != at_ms)
        {
            self.0.push((at_ms, value));
        }
    }

    fn latest(&self, at_ms: i64, max_age_ms: i64) -> Option<T> {
        let before = self.0.partition_point(|(t, _)| *t <= at_ms);
        let (t, value) = self.0.get(before.checked_sub(1)?)?;
        (at_ms.saturating_sub(*t) <= max_age_ms).then_some(*value)
    }
}

#[derive(Debug, Default)]
struct OutingRow {
    kind: Option<OutingKind>,
    slow_limit_us: Option<u64>,
    readings: BTreeSet<u32>,
    temperature: Series<Temperature>,
    humidity: Series<Humidity>,
    wind: Series<WindSpeed>,
    precipitation: Series<Precipitation>,
}

/// All outings, by code.
#[derive(Debug, Default)]
pub(super) struct Outings {
    rows: Vec<OutingRow>,
    /// Outings whose readings are not what they were.
    dirty: Vec<u32>,
}

impl Outings {
    fn row_mut(&mut self, outing: u32) -> &mut OutingRow {
        if self.rows.len() <= outing as usize {
            self.rows.resize_with(outing as usize + 1, OutingRow::default);
        }
        &mut self.rows[outing as usize]
    }

    /// Returns the kind; a test until the outing's own fact has come.
    pub(super) fn kind(&self, outing: u32) -> OutingKind {
        self.rows.get(outing as usize).and_then(|o| o.kind).unwrap_or(OutingKind::Test)
    }

    pub(super) fn slow_limit_us(&self, outing: u32) -> Option<u64> {
        self.rows.get(outing as usize).and_then(|o| o.slow_limit_us)
    }

    /// Takes what the register says of the outing; returns whether its shots must be looked at again.
    pub(super) fn take(&mut self, outing: u32, stated: Option<&Outing>) -> bool {
        let kind = stated.map(|o| o.kind);
        let limit = stated.and_then(|o| o.slow_limit_ms).map(|ms| u64::from(ms) * 1000);
        let row = self.row_mut(outing);
        let changed = row.kind != kind || row.slow_limit_us != limit;
        (row.kind, row.slow_limit_us) = (kind, limit);
        changed
    }

    pub(super) fn touch_reading(&mut self, outing: u32, row: u32) {
        self.row_mut(outing).readings.insert(row);
        self.dirty.push(outing);
    }

    /// Puts the readings in order again; returns the outings whose weather changed.
    pub(super) fn settle(&mut self, shelf: &Shelf) -> Vec<u32> {
        let mut dirty = std::mem::take(&mut self.dirty);
        dirty.sort_unstable();
        dirty.dedup();
        for outing in &dirty {
            let row = self.row_mut(*outing);
            let in_effect = row.readings.iter().filter(|r| shelf.row(**r).standing == Standing::InEffect);
            let mut readings: Vec<_> = in_effect
                .filter_map(|r| match &shelf.row(*r).fact {
                    Fact::Reading(reading) => Some((reading.at.unix_ms, shelf.row_id(*r), reading.conditions)),
                    _ => None,
                })
                .collect();
            readings.sort_by_key(|(at, id, _)| (*at, *id));
            *row = OutingRow {
                kind: row.kind,
                slow_limit_us: row.slow_limit_us,
                readings: std::mem::take(&mut row.readings),
                ..OutingRow::default()
            };
            for (at, _, c) in readings {
                row.temperature.put(at, c.temperature);
                row.humidity.put(at, c.humidity);
                row.wind.put(at, c.wind);
                row.precipitation.put(at, c.precipitation);
            }
        }
        dirty
    }

    /// Fills what `stated` leaves open from the readings at or before a moment, field by field.
    pub(super) fn weather(&self, outing: u32, at_ms: i64, max_age_ms: i64, stated: Conditions) -> Conditions {
        let Some(o) = self.rows.get(outing as usize) else { return stated };
        Conditions {
            temperature: stated.temperature.or_else(|| o.temperature.latest(at_ms, max_age_ms)),
            humidity: stated.humidity.or_else(|| o.humidity.latest(at_ms, max_age_ms)),
            wind: stated.wind.or_else(|| o.wind.latest(at_ms, max_age_ms)),
            precipitation: stated.precipitation.or_else(|| o.precipitation.latest(at_ms, max_age_ms)),
        }
    }
}
