//! Files that are damaged, cut off, or made to do harm: refused with a reason, and the log stays as it was.

use std::collections::BTreeMap;
use std::path::PathBuf;

use embertally_tests::{Device, Outcome, Rng};

const SEED: u64 = 0x_0bad_f11e;

/// A device with a log, and what its log looked like.
struct Target {
    device: Device,
    before: BTreeMap<PathBuf, Vec<u8>>,
}

impl Target {
    fn new() -> Self {
        let device = Device::new();
        device.done("outing begin 'Meadow test'");
        device.done("volley 2f1x KB-104:1-3 -f visco -w parallel --new");
        let before = device.log_files();
        Self { device, before }
    }

    /// Hands a file to a command and returns what it came to; a refusal must leave the log as it was.
    #[track_caller]
    fn given(&self, line: &str, name: &str, contents: &[u8]) -> Outcome {
        self.device.write(name, contents);
        // The outcome checks that it neither panicked nor ended by a signal.
        let outcome = self.device.run(&format!("{line} {name}"));
        assert!(matches!(outcome.code, Some(0 | 1)), "{outcome:#?}");
        if outcome.code == Some(1) {
            assert!(self.device.log_files() == self.before, "the log has changed: {outcome:#?}");
        }
        outcome
    }

    #[track_caller]
    fn refuses(&self, line: &str, name: &str, contents: &[u8], which: &str) {
        let outcome = self.given(line, name, contents);
        assert_eq!(outcome.code, Some(1), "{which} was taken: {outcome:#?}");
        assert!(outcome.stdout.is_empty(), "{which}: {outcome:#?}");
    }
}

fn carry_file() -> Vec<u8> {
    let device = Device::new();
    for line in [
        "lot add KB-104 --count 50",
        "lot describe KB-104 'from the dry box'",
        "outing begin 'Lantern night' --kind show",
        "volley 9f1x KB-104:1-10 -f visco -w series -m Box-1 -c 1 --new",
        "volley 5f KB-105 -f quickmatch -w parallel --new",
    ] {
        device.done(line);
    }
    device.carry()
}

#[test]
fn a_whole_carry_file_is_taken() {
    // Without this the refusals below would show nothing.
    let target = Target::new();
    assert_eq!(target.given("absorb", "whole.carry", &carry_file()).code, Some(0));
    assert_eq!(target.device.rows().len(), 3 + 15);
}

#[test]
fn a_carry_file_cut_off_anywhere_is_refused() {
    let (target, file) = (Target::new(), carry_file());
    for length in (0..file.len()).step_by(64).chain([1, file.len() - 1]) {
        target.refuses("absorb", "cut.carry", &file[..length], &format!("a file cut off at byte {length}"));
    }
}

#[test]
fn a_carry_file_with_a_flipped_bit_is_refused() {
    let (target, file) = (Target::new(), carry_file());
    let mut random = Rng::new(SEED);
    for _ in 0..64 {
        let (byte, bit) = (random.index(file.len()), random.in_range(0..=7));
        let mut flipped = file.clone();
        flipped[byte] ^= 1 << bit;
        target.refuses("absorb", "flipped.carry", &flipped, &format!("seed {SEED:#x}: bit {bit} of byte {byte}"));
    }
}

/// A carry file ends with the BLAKE3 hash of all before it; somebody who means harm can make that anew.
fn sealed_anew(file: &[u8]) -> Vec<u8> {
    let body = &file[..file.len().saturating_sub(32)];
    [body, blake3::hash(body).as_bytes()].concat()
}

#[test]
fn a_carry_file_with_damage_under_a_good_hash_does_no_harm() {
    let file = carry_file();
    assert_eq!(sealed_anew(&file), file, "this test does not know how a carry file ends");
    let mut random = Rng::new(SEED);
    let mut target = Target::new();
    let mut refused = 0;
    for round in 0..150 {
        let mut damaged = file[..file.len() - 32].to_vec();
        match round % 3 {
            0 => damaged[random.index(file.len() - 32)] ^= 1 << random.in_range(0..=7),
            1 => damaged.truncate(random.index(file.len() - 32)),
            _ => {
                let at = random.index(damaged.len());
                let noise = random.bytes(16);
                damaged.splice(at..(at + 16).min(file.len() - 32), noise);
            }
        }
        damaged.extend([0; 32]);
        let outcome = target.given("absorb", "sealed.carry", &sealed_anew(&damaged));
        if outcome.code == Some(1) {
            refused += 1;
        } else {
            // What can be read is somebody's word, and may be taken; then it must be readable too.
            target.device.export();
            target = Target::new();
        }
    }
    assert!(refused > 100, "seed {SEED:#x}: only {refused} of 150 were refused");
}

#[test]
fn what_is_no_carry_file_is_refused() {
    let target = Target::new();
    let mut random = Rng::new(SEED);
    target.refuses("absorb", "empty.carry", b"", "an empty file");
    target.refuses("absorb", "magic.carry", b"embertally carry 1\n", "a file of nothing but its first line");
    for _ in 0..16 {
        let length = random.index(5000);
        let noise = random.bytes(length);
        let after_magic = [&b"embertally carry 1\n"[..], &noise, &[0; 32]].concat();
        target.refuses("absorb", "noise.carry", &noise, &format!("{length} random bytes"));
        target.refuses("absorb", "noise.carry", &sealed_anew(&after_magic), &format!("{length} sealed random bytes"));
    }
}

/// Files that promise far more than they hold: no size in a file is believed.
#[test]
fn a_carry_file_that_promises_more_than_it_holds_is_refused() {
    let target = Target::new();
    let magic = &b"embertally carry 1\n"[..];
    for promise in [
        &[0x9b, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff][..],
        &[0x9a, 0xff, 0xff, 0xff, 0xff],
        &[0x81, 0x82, 0x7b, 0x7f, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff],
        &[0x9f, 0xff],
        &[0x81; 4000],
    ] {
        let file = sealed_anew(&[magic, promise, &[0; 32]].concat());
        target.refuses("absorb", "promise.carry", &file, &format!("{promise:02x?}"));
    }
}

#[test]
fn garbage_is_no_sheet() {
    let target = Target::new();
    let mut random = Rng::new(SEED);
    let header = "outing,lot,unit,ignition,delay_ms,note\n";
    let garbage: [(&str, Vec<u8>); 10] = [
        ("an empty file", Vec::new()),
        ("line ends", b"\r\n\r\n\n\r".to_vec()),
        ("other columns", b"a,b,c\n1,2,3\n".to_vec()),
        ("a column twice", b"outing,lot,unit,ignition,lot\nT,A,1,fired,B\n".to_vec()),
        ("an open quote", format!("{header}T,A,1,fired,,\"open\nT,A,2,fired,,\n").into_bytes()),
        ("a zero byte", format!("{header}T,A\0,1,fired,,\n").into_bytes()),
        ("no UTF-8", [header.as_bytes(), b"T,A\xff\xfe,1,fired,,\n"].concat()),
        ("UTF-16", [0xff, 0xfe].into_iter().chain(header.encode_utf16().flat_map(u16::to_le_bytes)).collect()),
        ("a cell without end", format!("{header}T,A,1,fired,,{}\n", "x".repeat(1 << 20)).into_bytes()),
        ("a number without end", format!("{header}T,A,1,fired,1e{},\n", "9".repeat(400)).into_bytes()),
    ];
    for (which, contents) in garbage {
        target.refuses("import", "garbage.csv", &contents, which);
    }
    for round in 0..48 {
        let length = 1 + random.index(400);
        // From the letters that mean something to the reader, more than chance would give.
        let letters = b"\",;\t\n\r='0123456789.+-eE:TZfired \xc3\xa4";
        let noise: Vec<u8> = (0..length).map(|_| *random.pick(letters)).collect();
        let with_header = [header.as_bytes(), b"x", &noise].concat();
        let which = format!("seed {SEED:#x}, round {round}");
        target.refuses("import", "noise.csv", &random.bytes(length), &which);
        target.refuses("import", "noise.csv", &with_header, &which);
        target.refuses("weather --outing 'Meadow test' --file", "noise.csv", &with_header, &which);
    }
}

#[test]
fn garbage_is_no_json_lines() {
    let target = Target::new();
    let mut random = Rng::new(SEED);
    let good = r#"{"outing":"T","lot":"A","unit":"1","ignition":"fired"}"#;
    let deep = "[".repeat(100_000);
    for contents in [
        "{",
        "null",
        "[]",
        r#""text""#,
        r#"{"outing":"T","lot":"A","unit":"1","ignition":"fired","lot":"B"}"#,
        r#"{"outing":"T","lot":["A"],"unit":"1","ignition":"fired"}"#,
        r#"{"outing":"T","lot":"A","unit":"1","ignition":"fired","strength":1e999}"#,
        r#"{"outing":"T","lot":"A\u0000","unit":"1","ignition":"fired"}"#,
        r#"{"outing":"T","lot":"A","unit":"1","ignition":"fired"} {}"#,
        &deep,
    ] {
        target.refuses(
            "import",
            "garbage.jsonl",
            format!("{good}\n{contents}\n").as_bytes(),
            contents.get(..60).unwrap_or(contents),
        );
    }
    for round in 0..48 {
        let mut line = good.as_bytes().to_vec();
        let length = 1 + random.index(8);
        let noise = random.bytes(length);
        let at = random.index(line.len());
        line.splice(at..(at + length).min(line.len()), noise);
        let outcome = target.given("import", "noise.jsonl", &[good.as_bytes(), b"\n", &line, b"\n"].concat());
        assert_eq!(outcome.code, Some(1), "seed {SEED:#x}, round {round} was taken: {outcome:#?}");
    }
}
