//! What comes out.

use crate::records::{FiringModule, Fuse, IgniterType, Lot, Moment, Person};

/// What this device knows by name.
#[derive(Debug, Clone, PartialEq, uniffi::Record)]
pub struct Register {
    /// Igniter types, by name, as all that follow.
    pub types: Vec<IgniterType>,
    /// Lots.
    pub lots: Vec<Lot>,
    /// Fuses.
    pub fuses: Vec<Fuse>,
    /// Firing modules.
    pub modules: Vec<FiringModule>,
    /// People.
    pub people: Vec<Person>,
    /// Outings.
    pub outings: Vec<OutingLine>,
    /// The outing that this device is at.
    pub outing: Option<String>,
    /// The person who observes with this device.
    pub observer: Option<String>,
    /// What this device is called.
    pub device: Option<String>,
}

/// An outing.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct OutingLine {
    /// Its name.
    pub name: String,
    /// Test or show.
    pub kind: crate::OutingKind,
    /// Where.
    pub place: Option<String>,
    /// When it began.
    pub begins: Option<Moment>,
    /// From which delay in milliseconds a shot is slow.
    pub slow_limit_ms: Option<u32>,
    /// How many minutes to wait before anybody approaches.
    pub wait_minutes: Option<u16>,
}

/// A volley that is saved on this device.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Logged {
    /// Its id.
    pub volley: String,
    /// How many shots it holds.
    pub shots: u32,
    /// Of them, those that failed or were not tried: live now.
    pub failed_or_not_tried: u32,
    /// Of them, those that fired and did not light their fuse: live now.
    pub unlit: u32,
    /// The cautions, where something is live now.
    pub caution: Option<String>,
}

/// One shot as it stands.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct ShotLine {
    /// Its id.
    pub shot: String,
    /// The id as people read it.
    pub short: String,
    /// Its position in the volley, from 1.
    pub position: u16,
    /// The lot.
    pub lot: String,
    /// The unit.
    pub unit: Option<String>,
    /// Which try of the unit it is.
    pub attempt: u8,
    /// The fuse.
    pub fuse: Option<String>,
    /// What is known of the igniter; nothing where nobody saw or observers disagree.
    pub ignition: Option<crate::Ignition>,
    /// The same of the fuse.
    pub transfer: Option<crate::Transfer>,
    /// Whether observers disagree.
    pub is_disputed: bool,
    /// Why it is on the live list, if it is.
    pub live: Option<crate::LiveReason>,
    /// Whether somebody made it safe.
    pub is_made_safe: bool,
}

/// One volley as it stands.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct VolleyLine {
    /// Its id.
    pub volley: String,
    /// The id as people read it.
    pub short: String,
    /// The outing.
    pub outing: String,
    /// When it was fired, if that was stated.
    pub at: Option<Moment>,
    /// What the crew calls it.
    pub label: Option<String>,
    /// The firing module.
    pub module: Option<String>,
    /// Its channel.
    pub channel: Option<u16>,
    /// How it was wired.
    pub wiring: crate::Wiring,
    /// Its shots.
    pub shots: Vec<ShotLine>,
}

/// One shot on the live list.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct LiveShot {
    /// Its id.
    pub shot: String,
    /// The id as people read it.
    pub short: String,
    /// The outing.
    pub outing: String,
    /// The firing module.
    pub module: Option<String>,
    /// Its channel.
    pub channel: Option<u16>,
    /// Its position in the volley, from 1.
    pub position: u16,
    /// The lot.
    pub lot: String,
    /// The unit.
    pub unit: Option<String>,
    /// The fuse.
    pub fuse: Option<String>,
    /// Why.
    pub why: crate::LiveReason,
    /// The same in words.
    pub reason: String,
    /// How many minutes the outing's rules say to wait before anybody approaches.
    pub wait_minutes: Option<u16>,
    /// When it was fired, if that was stated; milliseconds since 1970.
    pub fired_ms: Option<i64>,
}

/// What is to be treated as live. An empty list is no proof that nothing is.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct LiveList {
    /// The shots, by outing, module and channel.
    pub shots: Vec<LiveShot>,
    /// Shots that fired, and nobody saw whether the fuse was lit.
    pub fuse_not_seen: Vec<LiveShot>,
    /// Why the list may be incomplete; to be shown before it.
    pub incomplete: Vec<String>,
    /// To be shown with it.
    pub caution: String,
}

/// What one fact says in a dispute.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Saying {
    /// The fact's id: what can be withdrawn.
    pub fact: String,
    /// Who says so.
    pub by: String,
    /// What; empty where a whole fact stands against another.
    pub says: String,
}

/// Facts that contradict each other.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Dispute {
    /// What it is about: `shot`, `rulings`, `wiring`, `register`, `corrections` or `volleys`.
    pub about: String,
    /// The id of that, or its name.
    pub subject: String,
    /// Which field.
    pub field: String,
    /// What is said.
    pub said: Vec<Saying>,
}

/// Two volleys that are probably one real one.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Proposal {
    /// One.
    pub first: String,
    /// The other.
    pub second: String,
    /// Why.
    pub reason: String,
}

/// What the crew has to settle.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Disputes {
    /// What contradicts.
    pub disputes: Vec<Dispute>,
    /// What is probably one; counted twice until somebody answers.
    pub proposals: Vec<Proposal>,
}

/// A failure rate, and how little or how much is known of it. Shares of one, not percentages.
#[derive(Debug, Clone, Copy, PartialEq, uniffi::Record)]
pub struct RateFigures {
    /// Shots that count, unresolved ones included.
    pub shots: u64,
    /// Failures that are settled.
    pub failures: u64,
    /// Shots whose outcome or cause is not settled.
    pub unresolved: u64,
    /// Failures of the settled shots.
    pub rate: Option<f64>,
    /// The low end of the interval to show: widened, since shots of one volley are alike.
    pub low: f64,
    /// The high end of it.
    pub high: f64,
    /// The low end with shots taken as independent.
    pub low_independent: f64,
    /// The high end of that.
    pub high_independent: f64,
}

/// One line of a table of rates.
#[derive(Debug, Clone, PartialEq, uniffi::Record)]
pub struct RateRow {
    /// The group's names, in the order of the grouping; nothing where the log does not say.
    pub names: Vec<Option<String>>,
    /// The rate.
    pub rate: RateFigures,
    /// The same in words.
    pub words: String,
}

/// One pairing of lot and fuse.
#[derive(Debug, Clone, PartialEq, uniffi::Record)]
pub struct Pairing {
    /// The lot.
    pub lot: Option<String>,
    /// The fuse; nothing where the igniters were fired alone.
    pub fuse: Option<String>,
    /// The verdict: that of the measure that stands worst.
    pub verdict: crate::Verdict,
    /// The sentence to read out.
    pub sentence: String,
    /// The chance that the true rate is above what is tolerable.
    pub probability_above: f64,
    /// How many more shots without a failure would support using it.
    pub clean_shots_needed: Option<u64>,
    /// The lot's use-by, if it is past.
    pub past_use_by: Option<String>,
    /// Each measure by itself.
    pub measures: Vec<MeasuredRate>,
}

/// One measure of a pairing.
#[derive(Debug, Clone, PartialEq, uniffi::Record)]
pub struct MeasuredRate {
    /// Its word.
    pub measure: String,
    /// The rate.
    pub rate: RateFigures,
    /// The verdict on it alone.
    pub verdict: crate::Verdict,
    /// The rate as all pairings together show it; no part of the verdict.
    pub with_all: f64,
    /// Whether it is worse than all others together.
    pub is_worse_than_rest: bool,
}

/// The pairings, worst first.
#[derive(Debug, Clone, PartialEq, uniffi::Record)]
pub struct Pairings {
    /// They.
    pub rows: Vec<Pairing>,
    /// To be shown with them.
    pub caution: String,
}

/// One group's delays.
#[derive(Debug, Clone, PartialEq, uniffi::Record)]
pub struct DelayRow {
    /// The group's names.
    pub names: Vec<Option<String>>,
    /// Shots that fired.
    pub fired: u64,
    /// Of them, those whose delay was measured.
    pub measured: u64,
    /// The delay that 95 % of shots stay under with 90 % confidence, whatever the law; nothing where too few were measured.
    pub bound_ms: Option<f64>,
    /// What to read out.
    pub sentence: String,
}

/// Two groups side by side.
#[derive(Debug, Clone, PartialEq, uniffi::Record)]
pub struct Comparison {
    /// The first's rate.
    pub first: RateFigures,
    /// The second's.
    pub second: RateFigures,
    /// What is shown.
    pub shown: crate::Shown,
    /// The two-sided p-value with every unresolved shot as the circuit's.
    pub p_value: Option<f64>,
    /// The test that gave it.
    pub p_method: Option<String>,
    /// What to read out.
    pub sentences: Vec<String>,
}

/// What an import did.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Imported {
    /// Rows taken.
    pub rows: u64,
    /// Bad rows that were left out.
    pub bad_rows: u64,
    /// Entries that are new on this device.
    pub added: u64,
    /// Entries that were there already.
    pub already: u64,
    /// How the file was read, and which rows were left out, a sentence each.
    pub notices: Vec<String>,
}

/// What a carry file holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, uniffi::Record)]
pub struct Carried {
    /// Documents.
    pub documents: u64,
    /// Entries.
    pub entries: u64,
    /// Bytes.
    pub bytes: u64,
}

/// What came from elsewhere did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, uniffi::Record)]
pub struct Absorbed {
    /// Entries that are new on this device.
    pub added: u64,
    /// Entries that were there already.
    pub already: u64,
    /// Shots that are on the live list now and were not: look before anybody walks.
    pub newly_live: u64,
    /// Shots that left the list.
    pub no_longer_live: u64,
}

/// A device of the crew.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Member {
    /// Its id.
    pub device: String,
    /// What the crew calls it, or the end of its id.
    pub name: String,
    /// What it may do now; nothing: it is out.
    pub role: Option<crate::Role>,
    /// How it stands, in words.
    pub standing: String,
    /// Whether it is this device.
    pub is_this: bool,
}

/// The crew.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Crew {
    /// Its id.
    pub id: String,
    /// What it calls itself; empty until this device has met it.
    pub name: String,
    /// Its devices, by id.
    pub members: Vec<Member>,
    /// Codes that nobody has used.
    pub open_invitations: u32,
}

/// A code that lets one device in. Whoever has it may join: show it, do not send it where others read.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct InviteCode {
    /// The code, for a QR code or a hand.
    pub code: String,
    /// Until when.
    pub until: Moment,
}

/// An entry that does not count, and why.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct KeptApart {
    /// The entry.
    pub entry: String,
    /// What the crew calls its device.
    pub device: Option<String>,
    /// How many shots it tells of: look whether something of it may be live.
    pub shots: u64,
    /// A stable code.
    pub code: String,
    /// Why, as a sentence.
    pub why: String,
}

/// What came and went since sync was started.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, uniffi::Record)]
pub struct SyncTally {
    /// Entries that came and are saved on this device.
    pub entries_came: u64,
    /// Entries that were sent: they are on the server's disk.
    pub entries_went: u64,
    /// Bytes that came.
    pub bytes_came: u64,
    /// Bytes that went.
    pub bytes_went: u64,
    /// Whether the invitation is for reading: what is logged here is not sent.
    pub reads_only: bool,
}

/// How it stands with the crew's server.
#[derive(Debug, Clone, PartialEq, Eq, Default, uniffi::Enum)]
pub enum SyncState {
    /// Sync is not running.
    #[default]
    Off,
    /// The server is not reached; it is tried again by itself.
    Offline {
        /// A stable code.
        code: String,
        /// Why, as a sentence.
        reason: String,
        /// After how many milliseconds it is tried again.
        again_ms: u64,
    },
    /// It is being reached, or logs are being compared.
    Meeting,
    /// All that is logged here is sent, and all that the server had is saved here.
    UpToDate,
    /// It ended and is not tried again by itself.
    Refused {
        /// A stable code.
        code: String,
        /// Why, and what to do.
        reason: String,
    },
}

/// Sync: its state, and what came and went.
#[derive(Debug, Clone, PartialEq, Eq, Default, uniffi::Record)]
pub struct SyncStatus {
    /// The state.
    pub state: SyncState,
    /// What came and went.
    pub tally: SyncTally,
}

/// What changed since the last word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, uniffi::Record)]
pub struct Changes {
    /// Names, outings, people, the crew.
    pub register: bool,
    /// Shots, what was seen of them, rulings: lists and rates.
    pub shots: bool,
    /// How it stands with the server: ask [`crate::Embertally::sync_status`].
    pub sync: bool,
    /// Whether something of it came from elsewhere.
    pub from_elsewhere: bool,
    /// Shots that came onto the live list from elsewhere: say it aloud.
    pub newly_live: u64,
    /// Shots that were taken off it from elsewhere.
    pub no_longer_live: u64,
}

/// What a meeting with the server came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, uniffi::Record)]
pub struct SyncOutcome {
    /// What came and went.
    pub tally: SyncTally,
    /// Shots that came onto the live list by it: look before anybody walks.
    pub newly_live: u64,
    /// Shots that left it.
    pub no_longer_live: u64,
}
