//! Dropping a document.

use super::Fixture;
use super::given::{append, chunk, commit, compact, keep, outing, pieces, register};
use crate::facts::DocumentId;
use crate::store::{Store, Write};

fn drop_of(document: DocumentId) -> Write {
    Write::Drop { document }
}

/// Checks that a dropped document is gone with its snapshot, its chunks, what was set aside of it and what is kept about
/// it, for every opening of the storage, and that nothing else is.
///
/// # Panics
/// If the store breaks the contract.
pub fn dropping_removes_a_document_with_all_that_belongs_to_it<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut fixture = make();
    let (mut one, mut two) = (fixture.open().expect("opens"), fixture.open().expect("opens a second time"));
    let (gone, stays) = (outing("o"), register(1));
    let (about, of_other) = (format!("met/peer/{gone}"), format!("met/peer/{stays}"));
    let ids = commit(&mut one, &[append(gone, b"a"), append(gone, b"b"), append(stays, b"c")]);
    commit(&mut one, &[compact(gone, &ids[..1], b"A"), keep(&about, b"1"), keep(&of_other, b"2")]);
    fixture.flip_bit(ids[1], 0);
    assert_eq!(one.load(&gone).expect("loads").damaged.len(), 1);
    let last = commit(&mut one, &[drop_of(gone), append(stays, b"d")]);
    assert_eq!(last.len(), 1, "a drop gives no piece");
    let mut three = fixture.open().expect("opens after the drop");
    for store in [&mut one, &mut two, &mut three] {
        let listed: Vec<_> = store.list().expect("lists").into_iter().map(|line| line.document).collect();
        assert_eq!(listed, [stays]);
        let loaded = store.load(&gone).expect("loads");
        assert_eq!((loaded.pieces.len(), loaded.damaged.len()), (0, 0));
        assert_eq!(store.set_aside(ids[1]).expect("reads"), None);
        assert_eq!(store.kept(&about).expect("reads"), None);
        assert_eq!(store.kept(&of_other).expect("reads"), Some(b"2".to_vec()));
        assert_eq!(pieces(store, &stays), [chunk(b"c"), chunk(b"d")]);
    }
    let again = commit(&mut two, &[append(gone, b"new")]);
    assert!(again[0] > last[0], "a piece's name was used again");
    assert_eq!(pieces(&mut three, &gone), [chunk(b"new")]);
}

/// Checks drops of what is not there, and that the writes of one commit are done in their order.
///
/// # Panics
/// If the store breaks the contract.
pub fn dropping_what_is_not_there_is_no_error<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut store = make().open().expect("opens");
    assert_eq!(commit(&mut store, &[drop_of(outing("never"))]), []);
    assert_eq!(store.list().expect("lists"), []);
    commit(&mut store, &[append(outing("o"), b"a"), drop_of(outing("o"))]);
    assert_eq!(store.list().expect("lists"), []);
    commit(&mut store, &[append(outing("o"), b"a")]);
    commit(&mut store, &[drop_of(outing("o")), append(outing("o"), b"b"), drop_of(register(7))]);
    assert_eq!(pieces(&mut store, &outing("o")), [chunk(b"b")]);
}
