//! What a store does when nothing goes wrong.

use super::Fixture;
use super::given::{append, chunk, commit, compact, keep, outing, picture, pieces, register, snapshot, summary};
use crate::store::{Loaded, PieceId, State, Store, Summary, Write};

/// Checks that a document never written gives nothing, and that reading it does not begin it.
///
/// # Panics
/// If the store breaks the contract.
pub fn a_document_never_written_is_empty<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut store = make().open().expect("opens");
    assert_eq!(store.load(&register(1)).expect("loads"), Loaded::default());
    assert_eq!(store.list().expect("lists"), []);
    assert_eq!(store.kept("device").expect("reads"), None);
    assert_eq!(store.set_aside(PieceId(1)).expect("reads"), None);
}

/// Checks that pieces come back as written, oldest first, under the names the commit gave.
///
/// # Panics
/// If the store breaks the contract.
pub fn what_is_committed_is_read_back_in_order<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut fixture = make();
    let mut store = fixture.open().expect("opens");
    let (one, two) = (register(1), outing("quarry"));
    let first = commit(&mut store, &[append(one, b"a"), keep("k", b"v"), append(two, b"x"), append(one, b"b")]);
    let second = commit(&mut store, &[append(one, b"c")]);
    assert_eq!((first.len(), second.len()), (3, 1), "Keep gives no name");
    assert_eq!(pieces(&mut store, &one), [chunk(b"a"), chunk(b"b"), chunk(b"c")]);
    assert_eq!(pieces(&mut store, &two), [chunk(b"x")]);
    let names: Vec<_> = store.load(&one).expect("loads").pieces.iter().map(|piece| piece.id).collect();
    assert_eq!(names, [first[0], first[2], second[0]]);
}

/// Checks that everything committed is there when the storage is opened again.
///
/// # Panics
/// If the store breaks the contract.
pub fn what_is_committed_is_there_after_opening_again<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut fixture = make();
    let mut store = fixture.open().expect("opens");
    let ids = commit(&mut store, &[append(register(1), b"a"), append(register(1), b"b"), keep("device", b"7")]);
    commit(&mut store, &[compact(register(1), &ids, b"ab"), append(outing("o"), b"z")]);
    let before = picture(&mut store, &["device"]);
    drop(store);
    for _ in 0..2 {
        let mut store = fixture.open().expect("opens again");
        assert_eq!(picture(&mut store, &["device"]), before);
    }
}

/// Checks that two stores open on one storage read each other's commits and never give one name twice.
///
/// # Panics
/// If the store breaks the contract.
pub fn two_open_stores_see_each_others_commits<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut fixture = make();
    let (mut one, mut two) = (fixture.open().expect("opens"), fixture.open().expect("opens a second time"));
    let document = register(1);
    let mut ids = commit(&mut one, &[append(document, b"1")]);
    ids.extend(commit(&mut two, &[append(document, b"2")]));
    ids.extend(commit(&mut one, &[append(document, b"3")]));
    assert!(ids.is_sorted_by(|a, b| a < b), "{ids:?}");
    assert_eq!(pieces(&mut two, &document), [chunk(b"1"), chunk(b"2"), chunk(b"3")]);
    assert_eq!(picture(&mut one, &[]), picture(&mut two, &[]));
}

/// Checks the order of lists (by document, parts as numbers) and what they count.
///
/// # Panics
/// If the store breaks the contract.
pub fn lists_are_ordered_by_document_and_count_what_is_there<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut store = make().open().expect("opens");
    let documents = [outing("b"), register(10), register(2), outing("a")];
    for document in documents {
        commit(&mut store, &[append(document, b"12345")]);
    }
    let ids = commit(&mut store, &[append(register(2), b"678")]);
    commit(&mut store, &[compact(register(2), &ids, b"snapshot")]);
    let list = store.list().expect("lists");
    let mut sorted = documents;
    sorted.sort_unstable();
    assert_eq!(list.iter().map(|line| line.document).collect::<Vec<_>>(), sorted);
    assert_eq!((sorted[0], list[0].chunks, list[0].bytes), (register(2), 1, 13));
    assert_eq!((sorted[1], list[1].chunks, list[1].bytes), (register(10), 1, 5));
}

/// Checks that a document shows the summary of its last write, whichever kind of write that was.
///
/// # Panics
/// If the store breaks the contract.
pub fn the_summary_is_replaced_with_each_write<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut store = make().open().expect("opens");
    let document = outing("o");
    for entries in [5, 1, 9] {
        commit(&mut store, &[Write::Append { document, chunk: vec![1], summary: summary(entries) }]);
        assert_eq!(store.list().expect("lists")[0].summary, summary(entries));
    }
    let write = |entries| Write::Append { document, chunk: vec![1], summary: summary(entries) };
    commit(&mut store, &[write(3), write(4)]);
    assert_eq!(store.list().expect("lists")[0].summary, summary(4));
    commit(&mut store, &[compact(document, &[], b"s")]);
    assert_eq!(store.list().expect("lists")[0].summary, summary(2));
}

/// Checks that a list gives a document's state only if the last writer had read every piece, whatever others appended
/// or compacted meanwhile.
///
/// # Panics
/// If the store breaks the contract.
pub fn a_state_is_certain_only_while_its_writer_knew_every_piece<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut store = make().open().expect("opens");
    let document = outing("o");
    let state = |held: &[PieceId]| {
        let ids = held.iter().fold(0_u64, |sum, id| sum.wrapping_add(id.0));
        Some(State { digest: [held.len() as u8; 16], pieces: held.len() as u64, ids })
    };
    let write = |held: &[PieceId]| Write::Append {
        document,
        chunk: vec![held.len() as u8],
        summary: Summary { state: state(held), ..summary(1) },
    };
    let shown = |store: &F::Store| store.list().expect("lists")[0].state();
    let one = commit(&mut store, &[write(&[])])[0];
    assert_eq!(shown(&store), Some([0; 16]));
    let two = commit(&mut store, &[write(&[one])])[0];
    assert_eq!(shown(&store), Some([1; 16]));
    commit(&mut store, &[write(&[one])]);
    assert_eq!(shown(&store), None, "the last writer had not read the second piece");
    // Another process had replaced the first piece; who still counts it knows as many pieces, and not the same.
    let whole = |covers: &[PieceId]| Write::Compact {
        document,
        covers: covers.to_vec(),
        snapshot: vec![9],
        summary: Summary { state: state(&[]), ..summary(1) },
    };
    let all: Vec<PieceId> = store.load(&document).expect("loads").pieces.iter().map(|piece| piece.id).collect();
    commit(&mut store, &[whole(&all)]);
    assert_eq!(shown(&store), Some([0; 16]));
    commit(&mut store, &[write(&[two])]);
    assert_eq!(shown(&store), None);
}

/// Checks that news name every piece that is newer than a given one, and that exactly these can be read alone.
///
/// # Panics
/// If the store breaks the contract.
pub fn news_are_what_anybody_added_since<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut fixture = make();
    let (mut one, mut two) = (fixture.open().expect("opens"), fixture.open().expect("opens a second time"));
    assert_eq!(one.news(PieceId(0)).expect("reads"), []);
    let (a, b) = (register(1), outing("b"));
    let first = commit(&mut one, &[append(a, b"1"), append(b, b"2")]);
    let second = commit(&mut two, &[append(a, b"3")])[0];
    assert_eq!(one.news(PieceId(0)).expect("reads"), [(first[0], a), (first[1], b), (second, a)]);
    assert_eq!(one.news(first[1]).expect("reads"), [(second, a)]);
    let newer = one.load_after(&a, first[1]).expect("loads");
    assert_eq!(newer.pieces.iter().map(|piece| piece.bytes.as_slice()).collect::<Vec<_>>(), [b"3"]);
    let whole = commit(&mut two, &[compact(a, &[first[0], second], b"13")])[0];
    assert_eq!(one.news(second).expect("reads"), [(whole, a)]);
    assert_eq!(one.news(whole).expect("reads"), []);
    assert_eq!(one.load_after(&a, whole).expect("loads").pieces, []);
}

/// Checks pieces of no bytes, of every byte value and of 1 MiB.
///
/// # Panics
/// If the store breaks the contract.
pub fn empty_and_large_pieces_are_kept_as_they_are<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut fixture = make();
    let mut store = fixture.open().expect("opens");
    let every_byte: Vec<u8> = (0..=255).collect();
    let large = every_byte.repeat(4096);
    commit(&mut store, &[append(register(1), b""), append(register(1), &every_byte), append(register(1), &large)]);
    commit(&mut store, &[keep("empty", b""), keep("large", &large)]);
    drop(store);
    let mut store = fixture.open().expect("opens again");
    assert_eq!(pieces(&mut store, &register(1)), [chunk(b""), chunk(&every_byte), chunk(&large)]);
    assert_eq!(store.kept("empty").expect("reads").as_deref(), Some(&b""[..]));
    assert_eq!(store.kept("large").expect("reads").as_deref(), Some(&large[..]));
}

/// Checks that committing nothing is allowed.
///
/// # Panics
/// If the store breaks the contract.
pub fn an_empty_commit_changes_nothing<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut store = make().open().expect("opens");
    assert_eq!(commit(&mut store, &[]), []);
    assert_eq!(store.list().expect("lists"), []);
}

/// Checks that the snapshot takes the place of exactly the pieces named, an older snapshot among them.
///
/// # Panics
/// If the store breaks the contract.
pub fn compaction_removes_only_what_it_names<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut store = make().open().expect("opens");
    let document = register(1);
    let ids = commit(&mut store, &[append(document, b"a"), append(document, b"b"), append(document, b"c")]);
    let first = commit(&mut store, &[compact(document, &[ids[0], ids[2]], b"ac")]);
    assert_eq!(pieces(&mut store, &document), [chunk(b"b"), snapshot(b"ac")]);
    commit(&mut store, &[compact(document, &[first[0], ids[1]], b"abc")]);
    assert_eq!(pieces(&mut store, &document), [snapshot(b"abc")]);
    // Two snapshots may stand side by side: two programs compacted at once.
    commit(&mut store, &[compact(document, &[], b"other")]);
    assert_eq!(pieces(&mut store, &document), [snapshot(b"abc"), snapshot(b"other")]);
}

/// Checks that what another store appended between reading and compacting is still there.
///
/// # Panics
/// If the store breaks the contract.
pub fn a_piece_appended_while_compacting_survives<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut fixture = make();
    let (mut one, mut two) = (fixture.open().expect("opens"), fixture.open().expect("opens a second time"));
    let document = outing("o");
    commit(&mut one, &[append(document, b"a"), append(document, b"b")]);
    let read: Vec<_> = one.load(&document).expect("loads").pieces.iter().map(|piece| piece.id).collect();
    commit(&mut two, &[append(document, b"meanwhile")]);
    commit(&mut one, &[compact(document, &read, b"ab")]);
    assert_eq!(pieces(&mut one, &document), [chunk(b"meanwhile"), snapshot(b"ab")]);
}

/// Checks compactions that name pieces already compacted, pieces never given, and a document never written.
///
/// # Panics
/// If the store breaks the contract.
pub fn naming_a_piece_that_is_gone_is_no_error<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut store = make().open().expect("opens");
    let document = register(1);
    let mut gone = commit(&mut store, &[append(document, b"a")]);
    commit(&mut store, &[compact(document, &gone, b"A")]);
    gone.extend([PieceId(0), PieceId(1 << 40), PieceId(u64::MAX)]);
    commit(&mut store, &[compact(document, &gone, b"B")]);
    assert_eq!(pieces(&mut store, &document), [snapshot(b"A"), snapshot(b"B")]);
    commit(&mut store, &[compact(register(2), &gone, b"new")]);
    assert_eq!(pieces(&mut store, &register(2)), [snapshot(b"new")]);
}

/// Checks that naming a piece of another document does not remove it.
///
/// # Panics
/// If the store breaks the contract.
pub fn compaction_leaves_other_documents_alone<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut store = make().open().expect("opens");
    let ids = commit(&mut store, &[append(register(1), b"one"), append(register(2), b"two")]);
    commit(&mut store, &[compact(register(1), &ids, b"ONE")]);
    assert_eq!(pieces(&mut store, &register(1)), [snapshot(b"ONE")]);
    assert_eq!(pieces(&mut store, &register(2)), [chunk(b"two")]);
}

/// Checks that names only grow, also across compaction and opening again.
///
/// # Panics
/// If the store breaks the contract.
pub fn piece_names_are_never_used_again<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut fixture = make();
    let mut last = PieceId(0);
    for round in 0..5 {
        let mut store = fixture.open().expect("opens");
        let document = register(1 + round % 2);
        let held: Vec<_> = store.load(&document).expect("loads").pieces.iter().map(|piece| piece.id).collect();
        for id in commit(&mut store, &[append(document, b"x"), compact(document, &held, b"s")]) {
            assert!(id > last, "{id:?} after {last:?}");
            last = id;
        }
    }
}

/// Checks kept values: absent, written, replaced, and apart from documents.
///
/// # Panics
/// If the store breaks the contract.
pub fn kept_values_are_replaced_and_read_back<F: Fixture>(make: &mut dyn FnMut() -> F) {
    let mut store = make().open().expect("opens");
    commit(&mut store, &[keep("device", b"1"), keep("other", b"2")]);
    commit(&mut store, &[keep("device", b"3"), keep("device", b"4")]);
    assert_eq!(store.kept("device").expect("reads"), Some(b"4".to_vec()));
    assert_eq!(store.kept("other").expect("reads"), Some(b"2".to_vec()));
    assert_eq!(store.kept("Device").expect("reads"), None);
    assert_eq!(store.list().expect("lists"), []);
}
