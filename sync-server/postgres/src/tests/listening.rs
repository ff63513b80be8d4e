//! Two servers on one database.

use super::*;
use crate::{Change, Listener};

const SECOND: Duration = Duration::from_secs(1);

/// Waits for word of a piece; word of older ones may come before it, and of newer ones not.
async fn hear(listener: &mut Listener, wanted: PieceId) {
    loop {
        match listener.next().await {
            Change::Pieces { crew: CREW, latest } if latest == wanted => return,
            Change::Pieces { crew: CREW, latest } if latest < wanted => {}
            other => panic!("{other:?} instead of {wanted:?}"),
        }
    }
}

#[test]
fn each_server_hears_of_the_others_commits_within_a_second_also_after_the_database_was_away() {
    let cluster = Cluster::start();
    let options = in_new_schema();
    let (one, two) = (connect(&cluster, options.clone()), connect(&cluster, options));
    let mut stores = [&one, &two].map(|database| PostgresStore::open(database, CREW).unwrap());
    let mut listeners = [&one, &two].map(Listener::start);
    for listener in &mut listeners {
        assert_eq!(soon("connecting", 10 * SECOND, listener.next()), Change::Anything);
        assert!(listener.is_connected());
    }
    let mut seen = PieceId(0);
    for round in 0..3 {
        for writer in [0, 1] {
            let latest = *stores[writer].commit(&numbered(round)).unwrap().last().unwrap();
            for listener in &mut listeners {
                soon("a commit", SECOND, hear(listener, latest));
            }
            // Reading what it told of: two pieces, whose documents the news name.
            let news = stores[1 - writer].news(seen).unwrap();
            assert_eq!(news.iter().map(|(_, document)| *document).collect::<Vec<_>>(), DOCUMENTS);
            for (id, document) in news {
                assert_eq!(stores[1 - writer].load_after(&document, PieceId(id.0 - 1)).unwrap().pieces[0].id, id);
            }
            seen = latest;
        }
        if round == 2 {
            break;
        }
        // While the database is away, and before the listener is back, a commit may be missed; it says so.
        cluster.crash();
        cluster.go_on();
        seen = *stores[0].commit(&numbered(100 + round)).unwrap().last().unwrap();
        for listener in &mut listeners {
            while soon("coming back", 20 * SECOND, listener.next()) != Change::Anything {}
        }
    }
    // A commit that is refused tells nobody.
    let refused = stores[0].commit(&[append(DOCUMENTS[0], b""), Write::Keep { key: "\0".to_owned(), value: vec![] }]);
    assert!(refused.is_err());
    let kept = stores[0].commit(&numbered(9)).unwrap();
    assert_eq!(soon("a commit", SECOND, listeners[1].next()), Change::Pieces { crew: CREW, latest: kept[1] });
    assert_eq!(listeners[1].take(), None);

    // One that stops listening gives its connection back.
    let watching = "SELECT count(*) FROM pg_stat_activity WHERE query LIKE 'LISTEN%' OR query = 'SELECT 1'";
    drop(listeners);
    assert!((0..200).any(|_| cluster.query("postgres", watching) == "0"));
}
