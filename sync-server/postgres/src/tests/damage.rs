//! Bits flipped in the database's own files, below its checks.

use std::fs;

use super::*;

#[test]
fn a_damaged_page_hides_only_the_piece_that_lies_on_it() {
    let cluster = Cluster::start();
    let options = in_new_schema();
    let database = connect(&cluster, options.clone());
    let mut store = PostgresStore::open(&database, CREW).unwrap();
    // Long enough to be kept apart from their rows, on pages of their own.
    let long = |byte: u8| vec![byte; 100_000];
    let writes = [b"short".to_vec(), long(0xa1), long(0xb2)].map(|bytes| append(DOCUMENTS[0], &bytes));
    let ids = store.commit(&writes).unwrap();
    let path = cluster.query(
        "postgres",
        &format!(
            "SELECT pg_relation_filepath(reltoastrelid) FROM pg_class WHERE oid = '{}.pieces'::regclass",
            options.schema
        ),
    );
    cluster.stop();
    let path = cluster.folder().join("data").join(path);
    let mut file = fs::read(&path).unwrap();
    let harmed = file.windows(500).position(|bytes| bytes == &[0xa1; 500][..]).expect("lies in the file");
    file[harmed] ^= 4;
    fs::write(&path, file).unwrap();
    cluster.go_on();

    let expected = [DamagedPiece { id: ids[1], document: DOCUMENTS[0], length: 100_000 }];
    for _ in 0..2 {
        let loaded = store.load(&DOCUMENTS[0]).unwrap();
        assert_eq!(loaded.damaged, expected);
        let intact: Vec<_> = loaded.pieces.iter().map(|piece| (piece.id, piece.bytes.clone())).collect();
        assert_eq!(intact, [(ids[0], b"short".to_vec()), (ids[2], long(0xb2))]);
    }
    // The list reads no bytes; the bytes themselves are refused, and a compaction removes nothing that it cannot read.
    assert_eq!(store.list().unwrap()[0].pieces, 3);
    assert!(matches!(store.set_aside(ids[1]), Err(StoreError::Damaged { .. })));
    let snapshot = |covers: &[PieceId]| Write::Compact {
        document: DOCUMENTS[0],
        covers: covers.to_vec(),
        snapshot: vec![1],
        summary: Summary::default(),
    };
    assert!(matches!(store.commit(&[snapshot(&ids)]), Err(StoreError::Damaged { .. })));
    store.commit(&[snapshot(&[ids[0], ids[2]])]).unwrap();
    let loaded = store.load(&DOCUMENTS[0]).unwrap();
    assert_eq!((loaded.pieces.len(), loaded.damaged.as_slice()), (1, &expected[..]));
}
