//! What crews share, which is nothing, and what servers share.

use std::thread;

use super::*;
use crate::PostgresRegistry;

#[test]
fn crews_share_nothing_and_servers_share_their_values() {
    let cluster = Cluster::shared();
    let database = connect(&cluster, in_new_schema());
    let (one, two) = ([1; 16], [2; 16]);
    let mut stores = [one, two].map(|crew| PostgresStore::open(&database, crew).unwrap());
    assert_eq!(database.crews().unwrap(), [one, two]);
    // Both count their pieces from 1, name the same documents and keep values under the same key.
    for (at, store) in stores.iter_mut().enumerate() {
        let at = at as u8;
        let keep = Write::Keep { key: "device".to_owned(), value: vec![at] };
        assert_eq!(store.commit(&[append(DOCUMENTS[0], &[at]), keep]).unwrap(), [PieceId(1)]);
    }
    for (at, store) in stores.iter_mut().enumerate() {
        let loaded = store.load(&DOCUMENTS[0]).unwrap();
        assert_eq!(loaded.pieces.iter().map(|piece| piece.bytes[0]).collect::<Vec<_>>(), [at as u8]);
        assert_eq!(store.list().unwrap().len(), 1);
        assert_eq!(store.news(PieceId(0)).unwrap(), [(PieceId(1), DOCUMENTS[0])]);
        assert_eq!(store.kept("device").unwrap(), Some(vec![at as u8]));
    }
    // A compaction by one removes nothing of the other, though it names the other's piece too.
    let writes = compaction(&mut stores[0]).unwrap();
    stores[0].commit(&writes).unwrap();
    assert_eq!(stores[1].load(&DOCUMENTS[0]).unwrap().pieces[0].bytes, [1]);
    // A title may hold whatever a person's device sends.
    let title = "a\0b \u{10ffff}".to_owned();
    let summary = Summary { title: title.clone(), ..Summary::default() };
    stores[1].commit(&[Write::Append { document: DOCUMENTS[1], chunk: vec![1], summary }]).unwrap();
    assert_eq!(stores[1].list().unwrap()[1].summary.title, title);

    let registry = PostgresRegistry::new(&database);
    assert_eq!(registry.get("crew/1").unwrap(), None);
    for (key, value) in [("crew/2", "b"), ("crew/1", "a"), ("crew_", "c"), ("crew/1", "A"), ("invitation/1", "")] {
        registry.put(key, value.as_bytes()).unwrap();
    }
    let listed = registry.list("crew/").unwrap();
    assert_eq!(listed, [("crew/1".to_owned(), b"A".to_vec()), ("crew/2".to_owned(), b"b".to_vec())]);
    assert_eq!(registry.get("invitation/1").unwrap(), Some(Vec::new()));
    // Of many that use one invitation at once, one succeeds.
    let winners: usize = thread::scope(|scope| {
        let tries: Vec<_> =
            (0..6).map(|_| scope.spawn(|| registry.exchange("invitation/1", Some(b""), None).unwrap())).collect();
        tries.into_iter().map(|one| usize::from(one.join().unwrap())).sum()
    });
    assert_eq!((winners, registry.get("invitation/1").unwrap()), (1, None));
    assert!(registry.exchange("n", None, Some(b"1")).unwrap());
    assert!(!registry.exchange("n", None, Some(b"2")).unwrap());
    assert!(registry.exchange("n", Some(b"1"), Some(b"2")).unwrap());
    assert!(!registry.exchange("n", None, None).unwrap());
    assert_eq!(registry.get("n").unwrap(), Some(b"2".to_vec()));
}
