//! A crew and its server, from the founding to the day when a phone is stolen.

use std::io::{BufRead, BufReader, Read};
use std::process::Stdio;

use embertally_tests::Device;
use serde_json::Value;

use super::running::Server;

fn device(name: &str) -> Device {
    let device = Device::new();
    device.done(&format!("crew device '{name}'"));
    device
}

fn field<'a>(object: &'a Value, name: &str) -> &'a str {
    object[name].as_str().unwrap_or_else(|| panic!("no {name}: {object:#}"))
}

#[test]
fn a_crew_lets_its_devices_in_by_their_keys_and_shuts_a_stolen_one_out() {
    let server = Server::new();
    let (chief, third) = (device("chief phone"), device("old phone"));
    chief.done("outing begin 'dry run'");
    chief.done("volley 9fx KB-104:1-10 --wiring series --new");
    chief.done(&format!("sync {}", server.invitation));
    third.done(&format!("sync {}", server.invitation));
    assert_eq!(third.rows().len(), 10);

    // Founded; the chief's next sync tells the server whose log it is, and from then on goes by the key.
    chief.done("crew found 'Invented crew'");
    chief.done("sync");
    let near = field(&chief.json("nearby --new"), "code").to_owned();
    let made = chief.json("crew invite --role recorder");
    let text = field(&made, "invitation").to_owned();
    assert!(text.starts_with("https://") && text.contains(&format!("&join={}", field(&made, "code"))), "{text}");
    assert!(!text.contains("token=") && text.contains(&format!("&near={near}")), "{text}");
    let synced = chief.json("sync");
    assert!(synced["clock_ahead_ms"].as_i64().is_some_and(|ms| ms.abs() < 60_000), "{synced:#}");

    // Another device needs nothing but that text.
    let second = Device::new();
    second.refused(&format!("sync '{text}'")).saying("crew join");
    second.refused(&format!("crew join '{}'", server.invitation)).saying("chief");
    second.done(&format!("crew join '{text}' --device 'field phone'"));
    assert_eq!(field(&second.json("nearby --show"), "code"), near);
    second.done("sync");
    assert_eq!(second.rows().len(), 10);
    second.done("outing go 'dry run'");
    second.done("volley 2f KB-104:11-12 --wiring series");
    second.done("sync");
    chief.done("sync");
    assert_eq!(chief.rows().len(), 12);

    // A token alone opens nothing any more, and the code lets in nobody else.
    third.done("volley f KB-104:40 --wiring series --new --outing 'dry run'");
    third.refused("sync").saying("members only");
    let fourth = device("strange phone");
    fourth.done(&format!("crew join '{text}'"));
    fourth.refused("sync").saying("no member");

    let mut watch = second.call_on_log("sync --watch --json");
    let mut watch = watch.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("it runs");
    let mut lines = BufReader::new(watch.stdout.take().expect("it prints")).lines();
    while !lines.next().expect("an event").expect("text").contains("up_to_date") {}
    chief.done("crew out 'field phone' --reason 'phone was stolen'");
    chief.done("sync");
    lines.for_each(drop);
    let mut said = String::new();
    watch.stderr.take().expect("it says").read_to_string(&mut said).expect("text");
    assert_eq!(watch.wait().expect("it ends").code(), Some(1), "{said}");
    assert!(said.contains("phone was stolen"), "{said}");
    second.refused("sync").saying("phone was stolen");
    assert_eq!(chief.rows().len(), 12);
}

#[test]
fn an_operator_who_names_the_crew_lets_in_its_founder_first() {
    let mut server = Server::new();
    let (chief, other) = (device("chief phone"), device("other phone"));
    let id = field(&chief.json("crew found 'Invented crew'"), "crew").to_owned();
    other.done("crew found 'Another crew'");
    assert_eq!(server.terminate(), Some(0));
    server.start_again(&format!("--crew-id {id}"));
    // Whoever has the token and is not of the crew cannot make it another's.
    other.refused(&format!("sync {}", server.invitation)).saying("no member");
    // Nothing of the crew is on the server yet; the founder brings it by its key.
    chief.done(&format!("sync {}", server.invitation));
    let text = field(&chief.json("crew invite"), "invitation").to_owned();
    chief.done("sync");
    let second = Device::new();
    second.done(&format!("crew join '{text}'"));
    second.done("sync");
    let rows = second.json("crew");
    let roles: Vec<_> = rows["rows"].as_array().expect("rows").iter().filter_map(|r| r["role"].as_str()).collect();
    assert_eq!(roles.len(), 2, "{rows:#}");
}
