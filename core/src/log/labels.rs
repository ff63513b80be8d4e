//! Labels: texts that people go on editing, merged field by field and letter by letter.

use automerge::transaction::Transactable;
use automerge::{Automerge, AutomergeError, ObjId, ObjType, ReadDoc, Value};

use super::document::Document;
use crate::facts::RegisterId;

/// One label as it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Label {
    /// What it belongs to.
    pub subject: RegisterId,
    /// Which of its texts, such as `description` or `note`.
    pub field: String,
    /// The text.
    pub text: String,
    /// Texts begun at the same time on other devices, which nobody has joined with this one yet.
    pub others: Vec<String>,
}

/// A label's key: one flat map, because two devices that each began a nested map would hide one another's.
fn key(subject: RegisterId, field: &str) -> String {
    format!("{subject}/{field}")
}

fn text_of(doc: &Automerge, value: &Value<'_>, id: &ObjId) -> Option<String> {
    match value {
        Value::Object(ObjType::Text) => doc.text(id).ok(),
        _ => None,
    }
}

impl Document {
    /// Sets a label's text by changing only the letters that differ, so that two people's edits both stay; returns the
    /// bytes to store.
    ///
    /// Where the text had been begun on two devices, the edit joins them: what is written now is what stands.
    pub(super) fn set_label(
        &mut self,
        subject: RegisterId,
        field: &str,
        text: &str,
    ) -> Result<Vec<u8>, AutomergeError> {
        let labels = self.labels.clone();
        let key = key(subject, field);
        let all = self.crdt().get_all(&labels, key.as_str())?;
        let texts: Vec<Option<ObjId>> =
            all.into_iter().map(|(v, id)| matches!(v, Value::Object(ObjType::Text)).then_some(id)).collect();
        self.change(|tx| {
            match texts.as_slice() {
                [Some(id)] => tx.update_text(id, text)?,
                _ => {
                    let id = tx.put_object(&labels, key.as_str(), ObjType::Text)?;
                    tx.update_text(&id, text)?;
                }
            }
            Ok(())
        })
    }

    /// Returns all labels, by subject and field.
    #[must_use]
    pub fn labels(&self) -> Vec<Label> {
        let doc = self.crdt();
        let read = |key: &str| {
            let (subject, field) = key.rsplit_once('/')?;
            let mut texts: Vec<String> =
                doc.get_all(&self.labels, key).ok()?.iter().filter_map(|(v, id)| text_of(doc, v, id)).collect();
            // The last is the one that a plain read gives.
            let text = texts.pop()?;
            texts.retain(|t| *t != text);
            Some(Label { subject: subject.parse().ok()?, field: field.to_owned(), text, others: texts })
        };
        doc.keys(&self.labels).filter_map(|k| read(&k)).collect()
    }
}
