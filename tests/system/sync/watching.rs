//! A device that stays connected.

use super::logged;
use super::running::{Running, Server};

#[test]
fn a_watching_device_passes_on_what_others_log_and_takes_in_what_comes() {
    let mut server = Server::new();
    let (heron, otter) = (logged("heron", "KB-104"), logged("otter", "KB-105"));
    let line = format!("sync --watch --json {}", server.invitation);
    let mut watch = Running::start(heron.call_on_log(&line));
    watch.event("up_to_date");

    // Another process writes into the same log.
    heron.done("volley f KB-104:201 -f visco");
    watch.event("up_to_date");
    otter.json(&format!("sync {}", server.invitation));
    assert_eq!(otter.rows().len(), 89);

    // Five live shots come, perhaps not all in one: four that failed, and one whose fuse was not lit.
    let mut live = 0;
    while live < 5 {
        live += watch.event("up_to_date")["newly_live"].as_u64().unwrap_or_default();
    }
    assert_eq!((live, heron.rows().len()), (5, 89));
    otter.done("volley x KB-105:201 -f visco");
    otter.done("sync");
    let news = watch.event("up_to_date");
    assert_eq!((&news["newly_live"], &news["no_longer_live"]), (&1.into(), &0.into()), "{news:#}");

    // The server is gone for a while.
    server.kill();
    let offline = watch.event("offline");
    assert!(offline["again_ms"].as_u64().is_some(), "{offline:#}");
    heron.done("volley f KB-104:202 -f visco");
    server.start_again("");
    watch.event("up_to_date");
    otter.done("sync");
    assert_eq!(otter.rows().len(), 91);
    assert_eq!(watch.terminate(), Some(0));
}
