//! A log handed over as QR codes: drawn by the tool, read back by a reader of its own, taken in from its texts.

use std::slice;

use embertally_tests::{Device, Rng};
use rqrr::PreparedImage;

/// Pixels a module: a phone's camera sees more.
const SCALE: usize = 3;

/// A picture of a code, as the modules that are dark; the light ones around it are part of it.
struct Picture(Vec<Vec<bool>>);

impl Picture {
    /// Reads the only code in the picture, found as a scanner finds it.
    fn scanned(&self) -> String {
        let (width, height) = (self.0[0].len() * SCALE, self.0.len() * SCALE);
        let dark = |x: usize, y: usize| if self.0[y / SCALE][x / SCALE] { 20 } else { 230 };
        let mut image = PreparedImage::prepare_from_greyscale(width, height, dark);
        let grids = image.detect_grids();
        assert_eq!(grids.len(), 1, "codes in the picture");
        grids[0].decode().expect("the code cannot be read").1
    }
}

/// Draws what the page's SVG says: `M x y h run v1 h-run z` for each run of dark modules.
fn pictures_of_page(html: &str) -> Vec<Picture> {
    html.split("<svg ")
        .skip(1)
        .map(|svg| {
            let side = between(svg, "viewBox=\"0 0 ", " ").parse().expect("no side");
            let mut modules = vec![vec![false; side]; side];
            for run in between(svg, "<path d=\"M", "z\"").split("zM") {
                let (x, rest) = run.split_once(' ').expect("no x");
                let (y, rest) = rest.split_once('h').expect("no y");
                let (length, _) = rest.split_once("v1h-").expect("no run");
                let [x, y, length] = [x, y, length].map(|n| n.parse::<usize>().expect("no number"));
                modules[y][x..x + length].fill(true);
            }
            Picture(modules)
        })
        .collect()
}

fn between<'a>(text: &'a str, before: &str, after: &str) -> &'a str {
    text.split_once(before).and_then(|(_, rest)| rest.split_once(after)).expect("the page has changed its shape").0
}

/// Draws what stands in the terminal: light half blocks on a dark ground.
fn pictures_of_terminal(text: &str) -> Vec<Picture> {
    let is_code = |line: &&str| line.starts_with(['█', '▀', '▄']);
    let codes = text.split(" of ").skip(1).map(|part| part.lines().filter(is_code).collect::<Vec<_>>());
    codes
        .map(|lines| {
            let halves =
                |light: &'static [char]| move |line: &&str| line.chars().map(|c| !light.contains(&c)).collect();
            let (upper, lower) = (halves(&['█', '▀']), halves(&['█', '▄']));
            Picture(lines.iter().flat_map(|line| [upper(line), lower(line)]).collect())
        })
        .collect()
}

/// A device with as many shots as the demo has in one of its outings.
fn logged() -> Device {
    let device = Device::new();
    device.done("outing begin 'Meadow test' --slow-ms 200");
    for volley in 0..10 {
        let lot = 100 + volley % 3;
        device.done(&format!(
            "volley 9f1x KB-{lot}:{}-{} -f visco -w series --at 2031-04-12T10:{volley:02}:00+02:00 --new",
            volley * 10 + 1,
            volley * 10 + 10
        ));
    }
    device
}

fn shuffled(mut lines: Vec<String>, seed: u64) -> Vec<String> {
    Rng::new(seed).shuffle(&mut lines);
    lines
}

#[test]
fn the_codes_of_a_page_are_read_by_a_scanner_and_give_the_same_log() {
    let (giver, taker) = (logged(), Device::new());
    let said = giver.json("carry --qr codes.html");
    let html = String::from_utf8(giver.read("codes.html")).expect("not UTF-8");
    let scanned: Vec<String> = pictures_of_page(&html).iter().map(Picture::scanned).collect();
    assert_eq!(said["pages"].as_array().map(Vec::len), Some(scanned.len()));
    assert!(scanned.len() > 1 && html.contains(&format!("<h2 id=\"h1\">1 of {}</h2>", scanned.len())));
    for loads in ["<script", "http:", "https:", "url(", "@import", "src="] {
        assert!(!html.contains(loads), "the page has {loads}");
    }
    // A scanner's list: a head, other columns, the order of the wind, one code twice, in two files.
    let lines = shuffled(scanned.into_iter().map(|text| format!("2031-04-12 21:10,QR_CODE,\"{text}\"")).collect(), 7);
    let (first, second) = lines.split_at(lines.len() / 2);
    taker.write("one.csv", format!("time,kind,text\r\n{}\r\n", first.join("\r\n")));
    taker.write("two.csv", format!("{}\n\n{}\n", lines[0], second.join("\n")));
    taker.done("absorb --pages one.csv two.csv").saying("1 line holds no page");
    assert_eq!(taker.export(), giver.export());
    assert_eq!(taker.all_rates(), giver.all_rates());
    assert_eq!(taker.json("absorb --pages one.csv two.csv")["entries_added"], 0);
}

#[test]
fn the_demo_fits_codes_that_a_scanner_reads() {
    let giver = Device::new();
    giver.done(&format!("demo --keep {}", giver.log_folder().display()));
    let said = giver.json("carry --qr codes.html --most 200");
    let html = String::from_utf8(giver.read("codes.html")).expect("not UTF-8");
    let scanned: Vec<String> = pictures_of_page(&html).iter().map(Picture::scanned).collect();
    assert_eq!(said["pages"], serde_json::json!(scanned));
    let taker = Device::new();
    taker.write("scan.txt", scanned.join("\n"));
    taker.done("absorb --pages scan.txt");
    assert_eq!(taker.export(), giver.export());
}

#[test]
fn the_codes_in_a_terminal_fit_80_columns_and_give_the_same_log() {
    let (giver, taker) = (logged(), Device::new());
    let shown = giver.done("carry --qr -");
    assert!(shown.text().lines().all(|line| line.chars().count() < 80));
    let scanned: Vec<String> = pictures_of_terminal(shown.text()).iter().map(Picture::scanned).collect();
    assert_eq!(giver.json("carry --qr -")["pages"], serde_json::json!(scanned));
    taker.write("scan.txt", shuffled(scanned, 9).join("\n"));
    taker.done("absorb --pages scan.txt");
    assert_eq!(taker.export(), giver.export());
}

#[test]
fn what_is_missing_damaged_or_of_another_log_is_named_and_nothing_is_taken_in() {
    let (giver, taker) = (logged(), Device::new());
    let pages = |device: &Device| -> Vec<String> {
        serde_json::from_value(device.json("carry --qr -")["pages"].clone()).expect("no pages")
    };
    let before = pages(&giver);
    let count = before.len();
    assert!(count >= 4, "{count} pages");
    giver.done("volley 2f KB-100:201-202 -f visco -w series --new");
    let now = pages(&giver);

    taker.write("few.txt", [&now[..1], &now[3..]].concat().join("\n"));
    let said = format!("Missing of {} pages: pages 2-3.", now.len());
    taker.refused("absorb --pages few.txt").saying(&said).saying("Nothing was taken in");

    let bad = now[1].replacen(&now[1][60..61], if &now[1][60..61] == "A" { "B" } else { "A" }, 1);
    taker.write("bad.txt", [&now[..1], slice::from_ref(&bad), &now[2..]].concat().join("\n"));
    taker.refused("absorb --pages bad.txt").saying("bad.txt, line 2: Page 2 is damaged").saying("page 2.");

    taker.write("mixed.txt", [&now[..], &before[..1]].concat().join("\n"));
    let said = format!("line {}: Page 1 of {count} belongs to another set", now.len() + 1);
    taker.refused("absorb --pages mixed.txt").saying(&said).saying("do not belong together");

    taker.write("none.txt", "a shopping list\nEMB\n");
    taker.refused("absorb --pages none.txt").saying("no intact page");
    taker.wrong("absorb few.txt bad.txt");
    assert!(!taker.log_folder().exists(), "a refused scan left a log behind");

    // Damage does no harm where the same page was read again.
    taker.write("good.txt", [&[bad], &now[..]].concat().join("\n"));
    taker.done("absorb --pages good.txt").saying("read intact elsewhere");
    assert_eq!(taker.export(), giver.export());
}

#[test]
fn a_log_too_large_for_codes_is_refused_with_advice() {
    let device = logged();
    let refused = device.refused("carry --qr codes.html --most 1");
    refused.saying("1 are the most").saying("embertally carry FILE").saying("or allow more with --most ");
    assert!(!device.path("codes.html").exists());
    device.wrong("carry out.carry --most 3");
    device.wrong("carry --qr codes.html --most 0");
    device.done("carry --qr codes.html");
    device.refused("carry --qr codes.html").saying("--force");
    device.done("carry --qr codes.html --force");
}
