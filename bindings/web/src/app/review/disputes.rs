//! What the crew disagrees about, side by side.

use embertally_core::facts::{Cause, Ignition, ShotId, Transfer, VolleyId};
use embertally_core::ledger::{Dispute, Subject};
use embertally_core::store::Store;
use serde_json::{Value, json};

use super::super::App;
use super::super::names::{clean, name_of, observer_name, short_fact, short_shot, short_volley};
use super::super::table::{Cell, Table};
use super::Figure;

impl<S: Store> App<S> {
    /// Returns a subject's kind, its name as it is shown, and the shot that a ruling would be on.
    fn subject(&self, subject: &Subject) -> (&'static str, String, Option<ShotId>) {
        match subject {
            Subject::Shot(id) => ("What was seen", short_shot(*id), Some(*id)),
            Subject::Rulings(id) => ("Rulings that contradict", short_shot(*id), Some(*id)),
            Subject::Wired(id) => ("Which shot it is", short_shot(*id), None),
            Subject::Register(id) => ("The register", name_of(&self.ledger, *id), None),
            Subject::Corrections(id) => ("Corrections", short_fact(*id), None),
            Subject::Matches(a, b) => ("Volleys", format!("{} and {}", short_volley(*a), short_volley(*b)), None),
        }
    }

    fn volley_words(&self, id: VolleyId) -> Value {
        self.ledger.volley(id).map_or(Value::Null, |view| self.volley_json(&view))
    }

    pub(super) fn disputes(&self) -> Value {
        let one = |d: &Dispute| {
            let (about, name, shot) = self.subject(&d.subject);
            let said = d.said.iter().map(|s| {
                json!({ "fact": s.fact.to_string(), "by": observer_name(&self.ledger, s.by), "says": clean(&s.says) })
            });
            let found = shot.and_then(|id| self.ledger.finding(id));
            let can_rule = matches!(d.subject, Subject::Shot(_) | Subject::Rulings(_))
                && matches!(d.field, "ignition" | "transfer" | "cause");
            json!({
                "about": about, "name": name, "field": d.field, "said": said.collect::<Vec<_>>(),
                "can_rule": can_rule, "shot": found.map(|f| self.shot_json(&f)),
                "rulings": found.map(|f| f.rulings().len()).unwrap_or(0),
            })
        };
        let proposals = self.ledger.proposals().into_iter().map(|p| {
            json!({
                "first": p.first.to_string(), "second": p.second.to_string(), "reason": p.reason(),
                "first_volley": self.volley_words(p.first), "second_volley": self.volley_words(p.second),
            })
        });
        json!({
            "rows": self.ledger.disputes().iter().map(one).collect::<Vec<_>>(),
            "proposals": proposals.collect::<Vec<_>>(),
            "ignition": Ignition::ALL.iter().map(|w| w.word()).collect::<Vec<_>>(),
            "transfer": Transfer::ALL.iter().map(|w| w.word()).collect::<Vec<_>>(),
            "cause": Cause::ALL.iter().map(|w| w.word()).collect::<Vec<_>>(),
        })
    }

    pub(super) fn dispute_table(&self) -> Figure {
        let mut table = Table::new("What the crew disagrees about").texts(&[
            ("about", "about"),
            ("which", "id"),
            ("field", "field"),
            ("who", "by"),
            ("says", "says"),
        ]);
        for d in self.ledger.disputes() {
            let (about, name, _) = self.subject(&d.subject);
            for said in &d.said {
                table.row(vec![
                    Cell::text(about),
                    Cell::text(name.clone()),
                    Cell::text(d.field),
                    Cell::text(observer_name(&self.ledger, said.by)),
                    Cell::text(clean(&said.says)),
                ]);
            }
        }
        Figure { heading: "All disputes".to_owned(), words: Vec::new(), drawing: None, key: None, table: Some(table) }
    }
}
