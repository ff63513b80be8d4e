//! How long a file takes to become entries, and entries a file. A report, not a gate.

use std::fmt::Write as _;
use std::sync::LazyLock;

use divan::{Bencher, black_box, counter::ItemsCount};
use embertally_core::exchange::{ImportOptions, Known, Row, read_csv, read_jsonl, write_csv, write_jsonl};

const ROWS: usize = 100_000;

fn main() {
    divan::main();
}

/// Invented rows with sixteen cells filled, in volleys of `size`; alone, they have no label.
fn csv(size: usize) -> String {
    let mut text = String::from(
        "outing,outing_kind,time,device,observer,volley,module,channel,wiring,position,lot,unit,fuse,ignition,\
         transfer,delay_ms,strength,temperature_c,humidity_pct,note\r\n",
    );
    for n in 0..ROWS {
        let (volley, position) = (n / size, n % size + 1);
        let (hour, minute, second) = (volley / 3600 % 24, volley / 60 % 60, volley % 60);
        let (label, wiring) = if size > 1 { (format!("V{volley}"), "series") } else { (String::new(), "single") };
        let _ = write!(
            text,
            "Invented season {},test,2031-05-09T{hour:02}:{minute:02}:{second:02}+02:00,phone-{},Marlo,{label},Box {},\
             {},{wiring},{position},KB-{},{n},visco {},{},lit,{}.5,4,18.5,61,{}\r\n",
            volley % 20,
            volley % 4,
            volley % 3,
            volley % 32,
            volley % 6,
            volley % 4,
            if n % 17 == 0 { "failed" } else { "fired" },
            20 + n % 30,
            if n % 50 == 0 { "\"dull, \"\"late\"\"\"" } else { "" },
        );
    }
    text
}

static TENS: LazyLock<String> = LazyLock::new(|| csv(10));
static ONES: LazyLock<String> = LazyLock::new(|| csv(1));

fn read(bencher: Bencher<'_, '_>, text: &'static str) {
    bencher
        .counter(ItemsCount::new(ROWS))
        .bench(|| read_csv(black_box(text.as_bytes()), &ImportOptions::default(), &Known::default()));
}

#[divan::bench(sample_count = 10)]
fn read_csv_volleys_of_ten(bencher: Bencher<'_, '_>) {
    read(bencher, &TENS);
}

#[divan::bench(sample_count = 10)]
fn read_csv_single_shots(bencher: Bencher<'_, '_>) {
    read(bencher, &ONES);
}

/// Rows to write; made by hand because a bench has no ledger to ask for names.
fn rows() -> Vec<Row> {
    let at = "2031-05-09T21:30:00+02:00".parse().ok();
    let row = |n: usize| Row {
        outing: "Invented season".to_owned(),
        outing_kind: None,
        slow_limit_ms: None,
        time: at,
        device: Some("phone-1".to_owned()),
        observer: Some("Marlo".to_owned()),
        volley: Some(format!("V{}", n / 10)),
        module: Some("Box 1".to_owned()),
        channel: Some(3),
        wiring: "series".parse().ok(),
        string_length: Some(10),
        position: Some((n % 10 + 1) as u16),
        lot: "KB-104".to_owned(),
        unit: n.to_string(),
        attempt: Some(1),
        fuse: Some("visco".to_owned()),
        ignition: embertally_core::facts::Ignition::Fired,
        transfer: "lit".parse().ok(),
        delay: embertally_core::facts::Delay::stated(24_950, 25_050).ok(),
        strength: Some(4),
        cause: None,
        conditions: embertally_core::facts::Conditions::default(),
        note: None,
    };
    (0..ROWS).map(row).collect()
}

#[divan::bench(sample_count = 10)]
fn write_csv_rows(bencher: Bencher<'_, '_>) {
    bencher.with_inputs(rows).counter(ItemsCount::new(ROWS)).bench_values(|rows| write_csv(Vec::new(), rows));
}

#[divan::bench(sample_count = 10)]
fn read_json_lines(bencher: Bencher<'_, '_>) {
    let mut lines = Vec::new();
    let _ = write_jsonl(&mut lines, rows());
    bencher
        .counter(ItemsCount::new(ROWS))
        .bench_local(|| read_jsonl(black_box(&lines), &ImportOptions::default(), &Known::default()));
}
