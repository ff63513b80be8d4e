//! A log whose crew is known: its members are let in by their keys, and nobody else.

use std::net::SocketAddr;
use std::time::Duration;

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use embertally_core::crew::{DeviceKey, Invite, Visit};
use embertally_core::facts::{DeviceId, Entry, EntryId, Fact, Founding, Moment, Role, Standing};
use embertally_core::log::{Home, Log};
use embertally_core::store::MemoryStore;
use embertally_core::sync::Refusal;
use embertally_postgres::testing::Cluster;
use embertally_server::access::Role as TokenRole;
use embertally_server::{Config, CrewId, Running, Server, StoreChoice};
use embertally_testkit::Rng;
use serde_json::json;

use crate::device::{Device, End, HOME, PATIENCE, now_ms, open};
use crate::rig::{Answer, Rig, config, request, secret};

/// Who a device is.
#[derive(Clone)]
struct Phone {
    key: DeviceKey,
    id: DeviceId,
}

impl Phone {
    fn new(seed: u8) -> Self {
        Self::made_at(seed, 1_900_000_000_000)
    }

    fn made_at(seed: u8, unix_ms: i64) -> Self {
        let key = DeviceKey::from_seed(&[seed; 32]);
        Self { id: key.device(unix_ms), key }
    }

    fn log(&self) -> Log<MemoryStore> {
        let mut log = Log::open(MemoryStore::new(), Rng::new(self.id.as_bytes().iter().map(|b| u64::from(*b)).sum()));
        log.sign_with(self.key.clone(), self.id);
        log
    }

    fn state(&self, log: &mut Log<MemoryStore>, fact: Fact) {
        let now = Moment { unix_ms: now_ms() as i64, offset_minutes: 0 };
        let ms = log.next_ms(now.unix_ms).unwrap();
        let mut entry = Entry::new(EntryId::new(ms, &mut Rng::new(ms as u64)), self.id, now);
        entry.state(fact);
        entry.name_by_content().unwrap();
        log.write(Home::Register, &entry).unwrap();
    }

    fn invite(&self, log: &mut Log<MemoryStore>, role: Role, until_ms: i64) -> Invite {
        let invite = Invite::new(self.key.crew(), role, until_ms, &mut Rng::new(until_ms as u64 ^ role as u64));
        let after = log.members().unwrap().unwrap().heads();
        self.state(log, Fact::Invitation(invite.fact(after)));
        invite
    }

    fn joined(&self, invite: &Invite) -> Log<MemoryStore> {
        let mut log = self.log();
        log.set_crew(invite.crew).unwrap();
        self.state(&mut log, Fact::Joining(invite.joining(&self.key, Vec::new())));
        log
    }
}

const FAR: i64 = 4_000_000_000_000;

/// A chief's log, and codes for a recorder and for a reader.
fn founded(chief: &Phone) -> (Log<MemoryStore>, Invite, Invite) {
    let mut log = chief.log();
    log.set_crew(chief.key.crew()).unwrap();
    let founding = Founding { key: chief.key.public(), name: "Invented crew".to_owned() };
    chief.state(&mut log, Fact::Founding(founding));
    let recorder = chief.invite(&mut log, Role::Recorder, FAR);
    let reader = chief.invite(&mut log, Role::Reader, FAR);
    (log, recorder, reader)
}

async fn until_anchored(server: &Running, crew: CrewId) {
    let began = std::time::Instant::now();
    while server.access().anchor(crew).is_none() {
        assert!(began.elapsed() < PATIENCE, "it never learnt whose log it is");
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
}

async fn challenge(to: SocketAddr, crew: CrewId) -> String {
    let given = request(to, "POST", &format!("/api/v1/crews/{crew}/challenge"), "", "").await;
    given.json()["challenge"].as_str().unwrap().to_owned()
}

fn place(to: SocketAddr, crew: CrewId) -> String {
    Visit::place(crew.as_bytes(), &format!("web {to}"))
}

fn signed(phone: &Phone, place: &str, challenge: &str, invite: Option<&Invite>) -> String {
    let bytes = URL_SAFE_NO_PAD.decode(challenge).unwrap();
    let visit = Visit::new(&phone.key, phone.id, place, &bytes, invite);
    let text = |bytes: &[u8]| URL_SAFE_NO_PAD.encode(bytes);
    let mut body = json!({
        "challenge": challenge, "device": visit.device.to_string(), "key": text(&visit.key),
        "signature": text(&visit.signature),
    });
    if let Some((key, proof)) = visit.invited {
        body["invitation"] = text(&key).into();
        body["proof"] = text(&proof).into();
    }
    body.to_string()
}

async fn send(to: SocketAddr, crew: CrewId, body: &str) -> Answer {
    request(to, "POST", &format!("/api/v1/crews/{crew}/visit"), "", body).await
}

async fn visit(to: SocketAddr, crew: CrewId, phone: &Phone, invite: Option<&Invite>) -> Answer {
    let challenge = challenge(to, crew).await;
    send(to, crew, &signed(phone, &place(to, crew), &challenge, invite)).await
}

async fn session(to: SocketAddr, crew: CrewId, phone: &Phone, invite: Option<&Invite>) -> String {
    let answer = visit(to, crew, phone, invite).await;
    assert_eq!(answer.status, 200, "{}", answer.text());
    answer.json()["session"].as_str().unwrap().to_owned()
}

/// Shuts a device out, or gives it another part, on the chief's device.
async fn part(chief: &Phone, device: &mut Device, of: DeviceId, role: Option<Role>, reason: &str) {
    let known = device.log.entries_of(of).unwrap();
    let after = device.log.members().unwrap().unwrap().heads();
    let standing = Standing { device: of, key: None, role, reason: reason.to_owned(), known, after };
    chief.state(&mut device.log, Fact::Standing(standing));
    device.wrote(Home::Register.part(1)).await;
    device.meet().await;
}

fn is_refused(end: &End, word: &str) -> bool {
    matches!(end, End::Refused(Refusal::NotAllowed { what }) if what.contains(word))
}

#[tokio::test(flavor = "multi_thread")]
async fn once_a_crew_is_founded_members_write_by_their_keys_and_tokens_read() {
    let rig = Rig::new().await;
    let (to, (crew, token)) = (rig.address(), rig.crew("Crew A"));
    let reading = secret(&rig.server.invitation(crew, TokenRole::Reader, "board").unwrap());
    let (chief, recorder, reader, stranger) = (Phone::new(1), Phone::new(2), Phone::new(3), Phone::new(4));
    assert_eq!(visit(to, crew, &chief, None).await.code(), "E_SERVER_STRANGER", "nobody is a member yet");
    let (log, code, reader_code) = founded(&chief);
    let first = Device::over_log(log, chief.id, to, &token).await.unwrap();
    let mut first = first;
    first.meet().await;
    until_anchored(&rig.server, crew).await;
    assert_eq!(rig.server.access().anchor(crew), Some(chief.key.crew()));

    assert_eq!(open(HOME.into(), to, &token).await.err(), Some(403), "a writer's token opens nothing any more");
    let rates = format!("/api/v1/crews/{crew}/rates");
    let refused = rig.get(&rates, &token).await;
    assert_eq!((refused.status, refused.code().as_str()), (403, "E_SERVER_MEMBERS"));
    assert!(refused.text().contains("invitation of its chief"), "{}", refused.text());
    let tokens = format!("/api/v1/crews/{crew}/tokens");
    let another = rig.post(&tokens, &rig.admin, r#"{"role":"writer","label":"phone"}"#).await;
    assert_eq!(another.code(), "E_SERVER_MEMBERS");
    assert_eq!(rig.get(&rates, &reading).await.status, 200, "a reader's reads");

    let of_chief = session(to, crew, &chief, None).await;
    let mut first = first.again(to, &of_chief).await.unwrap();
    first.meet().await;
    let none = visit(to, crew, &stranger, None).await;
    let nowhere = visit(to, CrewId::from_bytes([7; 16]), &stranger, None).await;
    assert_eq!((none.status, none.code().as_str()), (403, "E_SERVER_STRANGER"));
    assert_eq!(none.body, nowhere.body, "the same whether the crew exists or not");

    // Who has the code is let in before anybody knows it, as the code says; its clock is of no account.
    let recorder = Phone::made_at(recorder.key.seed()[0], 3);
    let of_recorder = session(to, crew, &recorder, Some(&code)).await;
    let mut second = Device::over_log(recorder.joined(&code), recorder.id, to, &of_recorder).await.unwrap();
    second.meet().await;
    let volley = second.volley().await;
    second.meet().await;
    first.until_holds(&[volley].into()).await;
    assert_eq!(rig.get(&rates, &of_recorder).await.status, 200);
    assert_eq!(visit(to, crew, &stranger, Some(&code)).await.code(), "E_SERVER_STRANGER", "a code is for one device");
    let late = chief.invite(&mut first.log, Role::Recorder, now_ms() as i64 - 1);
    first.wrote(Home::Register.part(1)).await;
    first.meet().await;
    let behind = Phone::made_at(5, 1_000);
    assert_eq!(visit(to, crew, &behind, Some(&late)).await.code(), "E_SERVER_STRANGER", "by the server's clock");

    // A code that was handed on lets in a few devices until the register knows which one has it, and no crowd.
    let spread = chief.invite(&mut first.log, Role::Recorder, FAR - 1);
    first.wrote(Home::Register.part(1)).await;
    first.meet().await;
    let mut statuses = Vec::new();
    for seed in 10..16 {
        statuses.push(visit(to, crew, &Phone::new(seed), Some(&spread)).await.status);
    }
    assert_eq!(statuses, [200, 200, 200, 200, 403, 403]);

    // A reader gets everything, and what it writes is not taken.
    let answer = visit(to, crew, &reader, Some(&reader_code)).await;
    assert_eq!(answer.json()["role"], "reader");
    let of_reader = answer.json()["session"].as_str().unwrap().to_owned();
    let mut third = Device::over_log(reader.joined(&reader_code), reader.id, to, &of_reader).await.unwrap();
    third.until_holds(&[volley].into()).await;
    let own = third.volley().await;
    let mut fourth = first.again(to, &of_chief).await.unwrap();
    fourth.meet().await;
    let held = fourth.log.snapshot(Home::Register.part(1)).unwrap().entries();
    let elsewhere = fourth.entries();
    assert!(!elsewhere.contains(&own) && !held.iter().any(|e| e.read().is_ok_and(|e| e.device == reader.id)));
}

#[tokio::test(flavor = "multi_thread")]
async fn an_answer_counts_once_in_time_on_this_server_and_for_this_crew() {
    let rig = Rig::new().await;
    let (to, chief) = (rig.address(), Phone::new(1));
    let (crew, token) = rig.crew("Crew A");
    let (other_crew, _) = rig.crew("Crew B");
    Device::over_log(founded(&chief).0, chief.id, to, &token).await.unwrap().meet().await;
    until_anchored(&rig.server, crew).await;
    rig.server.anchor(other_crew, chief.key.crew()).unwrap();
    let code = |answer: Answer| (answer.status, answer.code());
    let wrong = |code: &str| (403, code.to_owned());

    let given = challenge(to, crew).await;
    let answer = signed(&chief, &place(to, crew), &given, None);
    assert_eq!(send(to, crew, &answer).await.status, 200);
    assert_eq!(code(send(to, crew, &answer).await), wrong("E_SERVER_CHALLENGE"), "replayed");
    let again = signed(&Phone::made_at(1, 5), &place(to, crew), &given, None);
    assert_eq!(send(to, crew, &again).await.status, 403, "by the same key under another device's id");

    let given = challenge(to, crew).await;
    let answer = signed(&chief, &place(to, crew), &given, None);
    assert_eq!(code(send(to, other_crew, &answer).await), wrong("E_SERVER_CHALLENGE"), "for another crew");
    let second = Rig::new().await;
    second.server.access().set_anchor(second.crew("Crew A").0, chief.key.crew()).unwrap();
    assert_eq!(code(send(second.address(), crew, &answer).await), wrong("E_SERVER_CHALLENGE"), "at another server");
    // A server in between hands on the right server's challenge; what is signed names itself.
    let elsewhere = signed(&chief, &place(second.address(), crew), &given, None);
    assert_eq!(code(send(to, crew, &elsewhere).await), wrong("E_SERVER_STRANGER"), "got by another server");
    let pinned = signed(&chief, &Visit::place(crew.as_bytes(), &format!("pin {}", "5f".repeat(32))), &given, None);
    assert_eq!(code(send(to, crew, &pinned).await), wrong("E_SERVER_STRANGER"), "under another certificate");
    assert_eq!(send(to, crew, &answer).await.status, 200, "and none of that has used it up");
    let made_up = URL_SAFE_NO_PAD.encode([9; 56]);
    let answer = signed(&chief, &place(to, crew), &made_up, None);
    assert_eq!(code(send(to, crew, &answer).await), wrong("E_SERVER_CHALLENGE"), "made up");
    for body in ["", "{}", r#"{"challenge":"","device":"x","key":"","signature":""}"#] {
        assert_eq!(send(to, crew, body).await.status, 400, "{body}");
    }

    let quick = Rig::with(|c| c.limits.challenge = Duration::ZERO).await;
    let (crew, token) = quick.crew("Crew A");
    Device::over_log(founded(&chief).0, chief.id, quick.address(), &token).await.unwrap().meet().await;
    until_anchored(&quick.server, crew).await;
    assert_eq!(code(visit(quick.address(), crew, &chief, None).await), wrong("E_SERVER_CHALLENGE"), "too late");
    let brief = Rig::with(|c| c.limits.session = Duration::ZERO).await;
    let (crew, _) = brief.crew("Crew A");
    brief.server.anchor(crew, chief.key.crew()).unwrap();
    // Nothing of the crew is here yet: the founder is let in to bring it, and for this session too late.
    let ended = session(brief.address(), crew, &chief, None).await;
    assert_eq!(open(HOME.into(), brief.address(), &ended).await.err(), Some(401));
    assert_eq!(visit(brief.address(), crew, &Phone::new(2), None).await.status, 403);
    let mut flood = Vec::new();
    for _ in 0..110 {
        flood.push(request(to, "POST", &format!("/api/v1/crews/{crew}/challenge"), "", "").await.status);
    }
    assert!(flood.contains(&429), "{flood:?}");
}

/// Lets a recorder in on one server, shuts it out by way of another (or the same), and looks what it is told.
async fn shut_out(one: &Running, two: &Running, crew: CrewId, token: &str) {
    let (chief, recorder) = (Phone::new(1), Phone::new(2));
    let (log, code, _) = founded(&chief);
    let mut first = Device::over_log(log, chief.id, one.address, token).await.unwrap();
    first.meet().await;
    until_anchored(two, crew).await;
    let of_recorder = session(two.address, crew, &recorder, Some(&code)).await;
    let mut second = Device::over_log(recorder.joined(&code), recorder.id, two.address, &of_recorder).await.unwrap();
    second.meet().await;
    let volley = second.volley().await;
    second.meet().await;
    // The chief's own conversation by its token has a minute to end; by its key it goes on.
    let of_chief = session(one.address, crew, &chief, None).await;
    let mut first = first.again(one.address, &of_chief).await.unwrap();
    first.until_holds(&[volley].into()).await;

    // Back to reading: the conversation ends, and goes on as a reader's.
    part(&chief, &mut first, recorder.id, Some(Role::Reader), "too many slips").await;
    let end = second.until_ended().await;
    assert!(is_refused(&end, "a reader in the crew from now on (too many slips)"), "{end:?}");
    assert_eq!(open(HOME.into(), two.address, &of_recorder).await.err(), Some(401), "nor does the session open more");
    let answer = visit(two.address, crew, &recorder, None).await;
    assert_eq!(answer.json()["role"], "reader");
    let of_reader = answer.json()["session"].as_str().unwrap().to_owned();
    let mut second = second.again(two.address, &of_reader).await.unwrap();

    part(&chief, &mut first, recorder.id, None, "phone was stolen").await;
    let end = second.until_ended().await;
    assert!(is_refused(&end, "out of the crew (phone was stolen)"), "{end:?}");
    let refused = visit(two.address, crew, &recorder, Some(&code)).await;
    assert_eq!((refused.status, refused.code().as_str()), (403, "E_SERVER_SHUT_OUT"));
    assert!(refused.text().contains("phone was stolen"));
    let rates = format!("/api/v1/crews/{crew}/rates");
    assert_eq!(request(two.address, "GET", &rates, &of_reader, "").await.status, 401);
    first.meet().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_device_that_loses_its_part_is_cut_off_at_once() {
    let rig = Rig::new().await;
    let (crew, token) = rig.crew("Crew A");
    shut_out(&rig.server, &rig.server, crew, &token).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn and_so_it_is_on_another_server_over_the_same_database() {
    let cluster = Cluster::shared();
    let url = cluster.tcp_url(&cluster.new_database());
    let folders = [tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap()];
    let over = |folder: &std::path::Path| -> Config {
        let mut config = config(folder);
        config.store = StoreChoice::Postgres(url.clone());
        config
    };
    let one = Server::start(over(folders[0].path())).await.unwrap();
    let two = Server::start(over(folders[1].path())).await.unwrap();
    let (crew, invitation) = one.invite("Crew A").unwrap();
    shut_out(&one, &two, crew, &secret(&invitation)).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn whose_log_it_is_is_not_guessed_and_conversations_by_tokens_end_soon() {
    let rig = Rig::with(|c| c.limits.members_grace = Duration::from_millis(200)).await;
    let (to, (crew, token)) = (rig.address(), rig.crew("Crew A"));
    let (chief, rogue) = (Phone::new(1), Phone::new(9));
    let mut one = Device::over_log(founded(&rogue).0, rogue.id, to, &token).await.unwrap();
    let mut log = founded(&chief).0;
    // Two foundings come in one go, and nobody says which one is meant.
    let mut file = Vec::new();
    log.carry(&mut file).unwrap();
    one.log.absorb(&file).unwrap();
    one.wrote(Home::Register.part(1)).await;
    one.meet().await;
    let mut other = Device::join(to, &token, 20).await.unwrap();
    other.volley().await;
    other.meet().await;
    let path = format!("/api/v1/crews/{crew}");
    let shown = rig.get(&path, &rig.admin).await.json();
    assert_eq!((rig.server.access().anchor(crew), &shown["anchor"]), (None, &serde_json::Value::Null));
    // A crew that was not founded here is none; then the chief's device says which one it is.
    let strange = Phone::new(77).key.crew().to_string();
    let mut one = one.again_telling(to, &token, &strange).await.unwrap();
    one.meet().await;
    assert_eq!(rig.server.access().anchor(crew), None);
    let mut one = one.again_telling(to, &token, &chief.key.crew().to_string()).await.unwrap();
    one.meet().await;
    until_anchored(&rig.server, crew).await;
    assert_eq!(rig.server.access().anchor(crew), Some(chief.key.crew()));
    assert_eq!(visit(to, crew, &rogue, None).await.status, 403);
    // The operator may say another.
    let id = rogue.key.crew().to_string();
    let body = json!({ "anchor": id }).to_string();
    let anchor = format!("{path}/anchor");
    assert_eq!(request(to, "PUT", &anchor, &token, &body).await.status, 403);
    assert_eq!(request(to, "PUT", &anchor, &rig.admin, r#"{"anchor":"x"}"#).await.status, 400);
    assert_eq!(request(to, "PUT", &anchor, &rig.admin, &body).await.status, 200);
    assert_eq!(rig.get(&path, &rig.admin).await.json()["anchor"], id.as_str());
    let end = other.until_ended().await;
    assert!(is_refused(&end, "lets in members"), "{end:?}");
    assert_eq!(visit(to, crew, &chief, None).await.status, 403);
    assert_eq!(visit(to, crew, &rogue, None).await.status, 200);
}
