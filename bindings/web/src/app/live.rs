//! The live list: what is to be treated as live, where it is, how long the rules say to wait, who made what safe.

use std::collections::{BTreeMap, BTreeSet, HashSet};

use embertally_core::facts::{Entry, Fact, FactId, MadeSafe, OutingId, PersonId, RegisterId, ShotId, Withdrawal};
use embertally_core::ledger::{LiveReason, LiveShot, ShotView};
use embertally_core::log::Home;
use embertally_core::store::Store;
use serde::Deserialize;
use serde_json::{Value, json};

use super::entry::Key;
use super::names::{clean, name_of, short_shot, text_given};
use super::{App, CAUTIONS, Now, counted, saved};
use crate::error::Refused;

#[derive(Debug, Deserialize)]
pub(super) struct LiveRequest {
    outing: Option<String>,
}

#[derive(Debug, Deserialize)]
pub(super) struct Safe {
    #[serde(flatten)]
    key: Key,
    shots: Vec<String>,
    /// A person of the register, by id.
    by: Option<String>,
    how: Option<String>,
}

#[derive(Debug, Deserialize)]
pub(super) struct Unsafe {
    #[serde(flatten)]
    key: Key,
    shot: String,
    reason: Option<String>,
}

/// One statement in effect that one real shot was made safe.
struct SafeShot {
    shot: ShotId,
    fact: FactId,
    home: Home,
    said: MadeSafe,
}

impl<S: Store> App<S> {
    pub(super) fn live(&self, request: &LiveRequest) -> Result<Value, Refused> {
        let outing: Option<OutingId> = request.outing.as_deref().map(str::parse).transpose()?;
        let live = self.ledger.live();
        let here = live.iter().filter(|l| outing.is_none_or(|o| o == l.shot.outing));
        let (unseen, rows): (Vec<&LiveShot<'_>>, Vec<&LiveShot<'_>>) =
            here.partition(|l| l.reason == LiveReason::Unseen);
        let row = |l: &&LiveShot<'_>| {
            let mut row = self.shot_json(&l.shot);
            row["why"] = json!(l.reason.reason());
            row
        };
        // By outing, and within it by where a person has to go.
        let mut groups: BTreeMap<(String, OutingId), Vec<Value>> = BTreeMap::new();
        for one in &rows {
            let outing = one.shot.outing;
            groups.entry((name_of(&self.ledger, RegisterId::Outing(outing)), outing)).or_default().push(row(one));
        }
        let groups = groups.into_iter().map(|((name, id), mut rows)| {
            rows.sort_by_key(|r| (r["place"].as_str().map(str::to_owned), r["position"].as_u64()));
            let wait = self.ledger.register().outings().get(id).and_then(|o| o.value.wait_minutes);
            json!({ "outing": name, "id": id.to_string(), "wait_minutes": wait, "rows": rows })
        });
        let safe = self.made_safe().into_iter().filter_map(|s| {
            let shot = self.ledger.finding(s.shot).filter(|shot| outing.is_none_or(|o| o == shot.outing))?;
            let mut row = self.shot_json(&shot);
            row["by"] = json!(s.said.by.map(|p| name_of(&self.ledger, RegisterId::Person(p))));
            row["at_ms"] = json!(s.said.at.map(|at| at.unix_ms));
            row["how"] = json!(s.said.how.as_deref().map(clean));
            Some(row)
        });
        let nothing = match (rows.is_empty(), unseen.is_empty()) {
            (true, true) => Some("Nothing in this log is recorded as live. That is no proof that nothing is: look."),
            (true, false) => {
                Some("Nothing is recorded as failed or not lit. That is no proof that nothing is live: look.")
            }
            _ => None,
        };
        Ok(json!({
            "cautions": CAUTIONS, "nothing": nothing, "live": rows.len(),
            "groups": groups.collect::<Vec<_>>(), "unseen": unseen.iter().map(row).collect::<Vec<_>>(),
            "made_safe": safe.collect::<Vec<_>>(), "incomplete": self.problems(),
        }))
    }

    pub(super) fn shot_json(&self, shot: &ShotView<'_>) -> Value {
        let name = |id| name_of(&self.ledger, id);
        let wait = self.ledger.register().outings().get(shot.outing).and_then(|o| o.value.wait_minutes);
        let at = shot.stated_at();
        let until = at.zip(wait).map(|(at, wait)| at.saturating_add(i64::from(wait) * 60_000));
        json!({
            "shot": shot.id.to_string(), "short": short_shot(shot.id), "position": shot.id.position,
            "outing": name(RegisterId::Outing(shot.outing)), "place": self.place(shot),
            "lot": name(RegisterId::Lot(shot.lot)), "unit": shot.unit.map(clean),
            "fuse": shot.fuse.map(|f| name(RegisterId::Fuse(f))),
            "fired_at_ms": at, "wait_minutes": wait, "wait_until_ms": until,
        })
    }

    /// Says where a shot is.
    pub(super) fn place(&self, shot: &ShotView<'_>) -> String {
        let module = shot.module.map(|m| name_of(&self.ledger, RegisterId::Module(m)));
        match (module, shot.channel) {
            (Some(m), Some(c)) => format!("{m}, channel {c}"),
            (Some(m), None) => m,
            (None, Some(c)) => format!("channel {c}"),
            (None, None) => String::new(),
        }
    }

    fn made_safe(&self) -> Vec<SafeShot> {
        let aside: HashSet<FactId> = if self.safe.is_empty() {
            HashSet::new()
        } else {
            self.ledger.set_aside().into_iter().map(|a| a.id).collect()
        };
        let mut shots = Vec::new();
        for (fact, (home, said)) in self.safe.iter().filter(|(id, _)| !aside.contains(id)) {
            // Two slots of a statement may be one real shot.
            let real: BTreeSet<ShotId> = said.shots.iter().filter_map(|s| Some(self.ledger.finding(*s)?.id)).collect();
            shots.extend(real.into_iter().map(|shot| SafeShot { shot, fact: *fact, home: *home, said: said.clone() }));
        }
        shots.sort_by_key(|s| (std::cmp::Reverse(s.said.at.map(|at| at.unix_ms)), s.shot, s.fact));
        shots
    }

    pub(super) fn make_safe(&mut self, new: Safe, now: Now) -> Result<Value, Refused> {
        let mut pen = self.pen(&new.key, now)?;
        let by: Option<PersonId> = new.by.as_deref().map(str::parse).transpose()?;
        let by = match by {
            Some(id) if self.ledger.register().people().get(id).is_none() => {
                return Err(Refused::entry("That person is not in the register."));
            }
            Some(id) => Some(id),
            None => self.observer()?,
        };
        let how = text_given(new.how);
        let mut by_outing: BTreeMap<OutingId, Vec<ShotId>> = BTreeMap::new();
        for text in &new.shots {
            let shot: ShotId = text.parse()?;
            let found = self.ledger.finding(shot);
            let found = found.ok_or_else(|| Refused::new("E_NOT_FOUND", "That shot is not in the log."))?;
            let list = by_outing.entry(found.outing).or_default();
            if !list.contains(&shot) {
                list.push(shot);
            }
        }
        if by_outing.is_empty() {
            return Err(Refused::entry("Say which shots were made safe."));
        }
        let count: usize = by_outing.values().map(Vec::len).sum();
        let mut entries: Vec<(Home, Entry)> = Vec::new();
        for (outing, shots) in by_outing {
            let mut entry = pen.entry();
            // A statement for each shot, so that one alone can be taken back.
            for shot in shots {
                entry.state(Fact::MadeSafe(MadeSafe { shots: vec![shot], by, at: Some(pen.at), how: how.clone() }));
            }
            entries.push((Home::Outing(outing), entry));
        }
        self.write(&entries, now)?;
        Ok(saved(json!({ "text": format!("Saved on this device: {} made safe.", counted(count, "shot", "shots")) })))
    }

    pub(super) fn undo_safe(&mut self, new: Unsafe, now: Now) -> Result<Value, Refused> {
        let shot: ShotId = new.shot.parse()?;
        let real = self.ledger.finding(shot).map_or(shot, |s| s.id);
        let mut pen = self.pen(&new.key, now)?;
        let reason = text_given(new.reason).unwrap_or_else(|| "it was not made safe".to_owned());
        let mut entries: BTreeMap<Home, Entry> = BTreeMap::new();
        for safe in self.made_safe().into_iter().filter(|s| s.shot == real) {
            let entry = entries.entry(safe.home).or_insert_with(|| pen.entry());
            entry.state(Fact::Withdrawal(Withdrawal { fact: safe.fact, reason: reason.clone() }));
        }
        if entries.is_empty() {
            return Err(Refused::new("E_NOT_MADE_SAFE", "Nobody has said that this shot was made safe."));
        }
        self.write(&entries.into_iter().collect::<Vec<_>>(), now)?;
        Ok(saved(json!({ "text": "Saved on this device: it is live again.", "caution": CAUTIONS.join(" ") })))
    }
}
