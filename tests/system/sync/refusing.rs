//! Invitations and codes that are not right.

use embertally_tests::Device;
use serde_json::Value;

use super::logged;
use super::running::Server;

/// Returns the code of a refusal, which must say that nothing is lost, and no secret.
#[track_caller]
fn code(device: &Device, line: &str) -> String {
    let said = device.refused(&format!("{line} --json"));
    assert!(said.stdout.is_empty());
    let error: Value = serde_json::from_str(said.stderr.lines().last().unwrap_or_default()).expect("JSON");
    assert!(!said.stderr.contains("token="), "a secret is shown: {}", said.stderr);
    error["error"].as_str().unwrap_or_default().to_owned()
}

/// Replaces the value of a part of an invitation.
fn with(invitation: &str, part: &str, value: &str) -> String {
    let (before, rest) = invitation.split_once(&format!("{part}=")).expect("it has the part");
    let after = rest.split_once('&').map_or(String::new(), |(_, after)| format!("&{after}"));
    format!("{before}{part}={value}{after}")
}

#[test]
fn a_wrong_token_and_a_wrong_certificate_are_told_apart_and_change_nothing() {
    let server = Server::new();
    let heron = logged("heron", "KB-104");
    let before = heron.export();
    let wrong_token = with(&server.invitation, "token", &"A".repeat(43));
    assert_eq!(code(&heron, &format!("sync {wrong_token}")), "E_LINK_TOKEN_REFUSED");
    let wrong_pin = with(&server.invitation, "pin", &"5a".repeat(32));
    assert_eq!(code(&heron, &format!("sync {wrong_pin}")), "E_LINK_WRONG_PIN");
    heron.refused(&format!("sync {wrong_pin}")).saying("somebody poses as it").saying("is safe");
    let as_web = with(&server.invitation, "pin", "web");
    assert_eq!(code(&heron, &format!("sync {as_web}")), "E_LINK_NOT_SAFE");
    assert_eq!(heron.export(), before);
    // The right one of the same crew takes their place.
    heron.done(&format!("sync {}", server.invitation));
}

#[test]
fn what_is_no_invitation_is_refused_and_leaves_no_log_behind() {
    let device = Device::new();
    assert_eq!(code(&device, "sync https://box.example/"), "E_INVITATION");
    assert_eq!(code(&device, "nearby --code 00000-00000-00000-00000-00001"), "E_CODE");
    assert!(!device.log_folder().exists());
    let heron = logged("heron", "KB-104");
    assert_eq!(code(&heron, "sync"), "E_NO_INVITATION");
    assert_eq!(code(&heron, "nearby"), "E_NO_CODE");
    device.wrong("sync --watch --forget");
    device.wrong("serve --cert only.pem");
    device.wrong("serve --store elsewhere --data data");
    device.refused("serve --plain --listen 0.0.0.0:0 --data data").saying("loopback");
}

#[test]
fn the_log_of_one_crew_is_not_mixed_with_anothers_by_accident() {
    let (server, other) = (Server::new(), Server::new());
    let heron = logged("heron", "KB-104");
    heron.done(&format!("sync {}", server.invitation));
    assert_eq!(code(&heron, &format!("sync {}", other.invitation)), "E_OTHER_CREW");
    heron.done("sync");
    assert_eq!(heron.json("sync --forget")["forgotten"], true);
    assert_eq!(code(&heron, "sync"), "E_NO_INVITATION");
    heron.done(&format!("sync {}", other.invitation));
}
