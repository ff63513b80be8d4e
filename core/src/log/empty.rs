//! The empty document: one fixed byte string from which every document begins.
//!
//! If each device made its own empty maps, two of them would hide each other at the first merge. So all begin from the
//! same change, made once by an actor of zeros, and embedded here.

use automerge::transaction::{CommitOptions, Transactable};
use automerge::{ActorId, Automerge, AutomergeError, ObjType, ROOT};

use super::document::{ENTRIES, LABELS, SCHEMA, SCHEMA_VERSION};

/// The bytes of the empty document.
pub(super) const EMPTY: &[u8] = include_bytes!("empty.automerge");

/// Makes the empty document anew; a test holds that this gives [`EMPTY`].
#[cfg_attr(not(test), expect(dead_code, reason = "made once; kept so that the bytes can be checked"))]
pub(super) fn make() -> Result<Vec<u8>, AutomergeError> {
    let mut doc = Automerge::new().with_actor(ActorId::from([0_u8; 16]));
    doc.transact_with::<_, _, AutomergeError, _>(
        |()| CommitOptions::default().with_time(0),
        |tx| {
            tx.put(ROOT, SCHEMA, SCHEMA_VERSION)?;
            tx.put_object(ROOT, ENTRIES, ObjType::Map)?;
            tx.put_object(ROOT, LABELS, ObjType::Map)?;
            Ok(())
        },
    )
    .map_err(|failure| failure.error)?;
    Ok(doc.save())
}
