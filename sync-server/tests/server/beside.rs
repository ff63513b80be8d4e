//! What others change while a server runs: tokens in its folder, files of its certificate.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::time::Duration;

use embertally_core::sync::Refusal;
use embertally_link::LinkError;
use embertally_server::access::Role;
use embertally_server::{Files, Server, Tls};

use crate::carried::{Carried, until};
use crate::device::{Device, End, HOME, open};
use crate::rig::{Rig, config, counted, secret};

const OFTEN: Duration = Duration::from_millis(50);

#[tokio::test(flavor = "multi_thread")]
async fn tokens_made_and_revoked_by_another_process_count_in_a_server_that_runs() {
    let rig = Rig::with(|c| c.limits.look = OFTEN).await;
    let (crew, token) = rig.crew("Crew A");
    let mut good = Device::join(rig.address(), &token, 1).await.unwrap();
    // As the command line does it: the same folder, and connections to its files of its own.
    let (of, made) =
        Server::invitation_beside(&config(rig.folder.path()), Role::Writer, "phone 2").await.unwrap().unwrap();
    assert_eq!(of, crew);
    let lost = secret(&made);
    until("the new token counts", async || open(HOME.into(), rig.address(), &lost).await.is_ok()).await;
    let mut bad = Device::join(rig.address(), &lost, 2).await.unwrap();

    let beside = Server::start(config(rig.folder.path())).await.unwrap();
    assert_eq!((beside.device, beside.admin_token.as_ref()), (rig.server.device, None));
    let tokens = beside.access().tokens(Some(crew));
    let id = tokens.iter().find(|t| t.label == "phone 2").unwrap().id;
    assert!(beside.access().revoke(Some(crew), id).unwrap());
    let end = bad.until_ended().await;
    assert!(matches!(&end, End::Refused(Refusal::NotAllowed { what }) if what.contains("revoked")), "{end:?}");
    assert!(matches!(open(HOME.into(), rig.address(), &lost).await.err(), Some(401 | 429)));
    let id = good.volley().await;
    good.meet().await;

    // Two servers over one folder are one, too.
    let mut other = Device::join(beside.address, &token, 3).await.unwrap();
    other.until_holds(&BTreeSet::from([id])).await;
    let id = other.volley().await;
    other.meet().await;
    good.until_holds(&BTreeSet::from([id])).await;
}

/// Puts a new certificate and its key in place, one after the other as programs do.
fn put(folder: &Path) {
    let made = rcgen::generate_simple_self_signed(vec!["localhost".to_owned()]).unwrap();
    fs::write(folder.join("cert.pem"), made.cert.pem()).unwrap();
    fs::write(folder.join("key.pem"), made.signing_key.serialize_pem()).unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_certificate_that_is_replaced_is_shown_from_then_on_and_conversations_go_on() {
    let files = tempfile::tempdir().unwrap();
    let (certificate, key) = (files.path().join("cert.pem"), files.path().join("key.pem"));
    put(files.path());
    let given = Files { certificate: certificate.clone(), key, publicly_trusted: false };
    let rig = Rig::with(|c| {
        c.limits.look = OFTEN;
        c.tls = Tls::Files(given);
    })
    .await;
    let (crew, before) = rig.server.invite("Crew A").unwrap();
    let mut watching = Carried::new(1);
    watching.connect(&before.parse().unwrap());
    let mut device = Carried::new(2);
    device.meet(&before.parse().unwrap()).unwrap();

    put(files.path());
    until("the new certificate is shown", async || {
        matches!(device.meet(&before.parse().unwrap()), Err(LinkError::WrongPin { .. }))
    })
    .await;
    // Invitations from now on name the new one.
    let after = rig.server.invitation(crew, Role::Writer, "phone 2").unwrap();
    let mut wanted = BTreeSet::from([device.volley()]);
    device.meet(&after.parse().unwrap()).unwrap();
    until("who was connected stays so", async || watching.entries() == wanted).await;

    // Half a pair: the one that fits is shown on.
    let made = rcgen::generate_simple_self_signed(vec!["localhost".to_owned()]).unwrap();
    let kept = fs::read(&certificate).unwrap();
    for spoilt in [made.cert.pem().into_bytes(), b"no certificate".to_vec(), b"-".to_vec()] {
        let seen = counted(&rig, "embertally_certificates_unusable_total");
        fs::write(&certificate, spoilt).unwrap();
        until("it was looked at", async || counted(&rig, "embertally_certificates_unusable_total") > seen).await;
        device.meet(&after.parse().unwrap()).unwrap();
    }
    fs::write(&certificate, kept).unwrap();
    wanted.insert(device.volley());
    device.meet(&after.parse().unwrap()).unwrap();
    until("to the end", async || watching.entries() == wanted).await;
    assert_eq!(watching.offline(), 0);
    watching.stop();
}
