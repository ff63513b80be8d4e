//! A carry file shown as QR codes, and read from what a scanner made of them.

use std::fmt::Write as _;
use std::fs;
use std::io::{self, IsTerminal, Read};
use std::path::{Path, PathBuf};

use embertally_core::log::{Gatherer, PageError, Pages};
use fast_qr::{ECL, Mode, QRBuilder, QRCode};

use crate::error::{CliError, file_error, sentence};
use crate::output::{counted, fancy, raw_line, say};

const STYLE: &str = include_str!("qr.css");

/// Forbids everything but the styles in the page itself.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";

/// Light modules on each side of a code (ISO/IEC 18004 asks for four).
const QUIET: usize = 4;

/// Where codes are shown; that decides how large they may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Shown {
    /// On a page, screen or paper: version 25 (117 modules), with level M against glare and creases.
    Page,
    /// In a terminal of 80 columns: version 13 (69 modules), with level L, since a screen has no creases.
    Terminal,
}

impl Shown {
    /// Characters that such a code holds in alphanumeric mode (ISO/IEC 18004, table 7).
    fn characters(self) -> usize {
        match self {
            Self::Page => 1451,
            Self::Terminal => 619,
        }
    }

    fn level(self) -> ECL {
        match self {
            Self::Page => ECL::M,
            Self::Terminal => ECL::L,
        }
    }
}

/// Splits a carry file into the texts of its codes.
pub(super) fn texts(carried: &[u8], shown: Shown, most: u16) -> Result<Vec<String>, CliError> {
    let page_bytes = Pages::bytes_in(shown.characters());
    let by_file = "Hand it over as a file instead: `embertally carry FILE`";
    let too_large = |text: String| CliError::refused("E_TOO_MANY_PAGES", text);
    let texts = Pages::split(carried, page_bytes)
        .map_err(|e| too_large(format!("The log is too large for codes: {e}. {by_file}.")))?;
    if texts.len() > usize::from(most) {
        let larger =
            if shown == Shown::Terminal { "; a page (--qr OUT.html) has larger codes and takes fewer" } else { "" };
        return Err(too_large(format!(
            "The log takes {} codes, and {most} are the most that are shown. {by_file}, or allow more with --most \
             {}{larger}.",
            texts.len(),
            texts.len()
        )));
    }
    Ok(texts)
}

fn code(text: &str, shown: Shown) -> Result<QRCode, CliError> {
    QRBuilder::new(text)
        .mode(Mode::Alphanumeric)
        .ecl(shown.level())
        .build()
        .map_err(|e| CliError::refused("E_INTERNAL", format!("A code cannot be drawn: {e}.")))
}

/// Tells whether a module is dark; all around the code are light.
fn is_dark(code: &QRCode, x: usize, y: usize) -> bool {
    let inside = |n: usize| n.checked_sub(QUIET).filter(|n| *n < code.size);
    inside(x).zip(inside(y)).is_some_and(|(x, y)| code[y][x].value())
}

/// Draws a code as SVG: each run of dark modules in a row is one rectangle.
fn svg(code: &QRCode, label: &str) -> String {
    let side = code.size + 2 * QUIET;
    let mut path = String::new();
    for y in 0..side {
        let mut x = 0;
        while x < side {
            let run = (x..side).take_while(|x| is_dark(code, *x, y)).count();
            if run > 0 {
                // Writing to a text cannot fail.
                let _ = write!(path, "M{x} {y}h{run}v1h-{run}z");
            }
            x += run.max(1);
        }
    }
    format!(
        "<svg role=\"img\" aria-label=\"{label}\" viewBox=\"0 0 {side} {side}\" shape-rendering=\"crispEdges\">\
         <rect width=\"{side}\" height=\"{side}\"/><path d=\"{path}\"/></svg>"
    )
}

/// Returns a page that shows all codes, one to a screen: no scripts, and it loads nothing.
pub(super) fn page(texts: &[String], holds: &str) -> Result<String, CliError> {
    let count = texts.len();
    let mut codes = String::new();
    for (index, text) in texts.iter().enumerate() {
        let number = index + 1;
        let drawn = svg(&code(text, Shown::Page)?, &format!("Code {number} of {count}"));
        let (before, after) = match index {
            0 => ("top".to_owned(), number + 1),
            _ => (format!("c{index}"), number + 1),
        };
        let next = if number == count {
            "<a href=\"#top\">to the top</a>".to_owned()
        } else {
            format!("<a href=\"#c{after}\">next</a>")
        };
        let _ = write!(
            codes,
            "<section id=\"c{number}\" aria-labelledby=\"h{number}\"><h2 id=\"h{number}\">{number} of {count}</h2>\n\
             {drawn}\n<nav aria-label=\"Beside code {number}\"><a href=\"#{before}\">back</a>{next}</nav></section>\n"
        );
    }
    let title = format!("A log in {}", counted(count, "code", "codes"));
    Ok(format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"{POLICY}\">\n\
         <meta name=\"referrer\" content=\"no-referrer\">\n<meta name=\"color-scheme\" content=\"light dark\">\n\
         <title>{title}</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n<header id=\"top\">\n\
         <p class=\"kicker\">Embertally carry</p>\n<h1>{title}</h1>\n<p>{holds}. Whoever scans all codes has the whole \
         log, with its names and notes: show and keep this page accordingly.</p>\n<ol>\n\
         <li>On the other device, scan every code with any scanner that keeps what it read; the order does not matter, \
         and twice does no harm.</li>\n<li>Save what it read as a text file, one code a line. A list with other columns \
         is fine.</li>\n<li>Take it in there with <code>embertally absorb --pages FILE</code>, which says what is \
         missing.</li>\n</ol>\n<p>Full brightness helps, and so does the distance at which a code just fills the \
         view.</p>\n<nav aria-label=\"Begin\"><a href=\"#c1\">Show the first code</a></nav>\n</header>\n\
         <main>\n{codes}</main>\n</body>\n</html>\n"
    ))
}

/// Draws a code with half blocks. Drawn is what is light, as terminals are dark; with colours it is so in all of them.
fn half_blocks(code: &QRCode, coloured: bool) -> String {
    let side = code.size + 2 * QUIET;
    let (begin, end) = if coloured { ("\x1b[97;40m", "\x1b[0m") } else { ("", "") };
    let mut drawn = String::new();
    for y in (0..side).step_by(2) {
        drawn.push_str(begin);
        drawn.extend((0..side).map(|x| match (is_dark(code, x, y), y + 1 >= side || is_dark(code, x, y + 1)) {
            (false, false) => '█',
            (false, true) => '▀',
            (true, false) => '▄',
            (true, true) => ' ',
        }));
        drawn.push_str(end);
        drawn.push('\n');
    }
    drawn
}

/// Prints the codes one after another; where somebody watches, the next one comes after Enter.
pub(super) fn print(texts: &[String]) -> Result<(), CliError> {
    let watched = io::stdin().is_terminal() && io::stdout().is_terminal();
    for (index, text) in texts.iter().enumerate() {
        let drawn = half_blocks(&code(text, Shown::Terminal)?, fancy());
        raw_line(&format!("{} of {}\n{drawn}", index + 1, texts.len()))?;
        if watched && index + 1 < texts.len() {
            say("Scan it, then press Enter for the next one.");
            let mut line = String::new();
            let read = io::stdin().read_line(&mut line).map_err(|e| file_error("read", Path::new("-"), &e))?;
            if read == 0 {
                return Err(CliError::refused("E_STOPPED", "Not all codes were shown."));
            }
        }
    }
    Ok(())
}

fn read(path: &Path) -> Result<String, CliError> {
    let mut bytes = Vec::new();
    let read = if path == Path::new("-") {
        io::stdin().lock().read_to_end(&mut bytes).map(drop)
    } else {
        fs::read(path).map(|b| bytes = b)
    };
    read.map_err(|e| file_error("read", path, &e))?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

/// The most lines that are named one by one.
const MOST_NAMED: usize = 20;

/// Puts a carry file together from files of scanned codes, one a line.
pub(super) fn gather(files: &[PathBuf]) -> Result<Vec<u8>, CliError> {
    let (mut gatherer, mut trouble, mut others) = (Gatherer::new(), Vec::new(), 0);
    let mut is_mixed = false;
    for path in files {
        for (index, line) in read(path)?.lines().enumerate().filter(|(_, line)| !line.trim().is_empty()) {
            match gatherer.take(line) {
                Ok(_) => {}
                Err(PageError::NoPage) => others += 1,
                Err(e) => {
                    is_mixed |= !matches!(e, PageError::Damaged { .. });
                    trouble.push(format!("{}, line {}: {}", path.display(), index + 1, sentence(&e.to_string())));
                }
            }
        }
    }
    let named = {
        let more = trouble.len().saturating_sub(MOST_NAMED);
        trouble.truncate(MOST_NAMED);
        if more > 0 {
            trouble.push(format!("And {more} more."));
        }
        trouble.join("\n")
    };
    let refused = |code, text: String| {
        let before = if named.is_empty() { String::new() } else { format!("{named}\n") };
        Err(CliError::refused(code, format!("{before}{text} Nothing was taken in.")))
    };
    if is_mixed {
        return refused("E_PAGES_MIXED", "These pages do not belong together.".to_owned());
    }
    let Some(count) = gatherer.count() else {
        let advice =
            "A page is a line that begins with EMB1, as `carry --qr` shows it; for a carry file leave out --pages.";
        return refused("E_NO_PAGES", format!("There is no intact page of a log in what was given. {advice}"));
    };
    match gatherer.whole() {
        Ok(whole) => {
            if !named.is_empty() {
                say(&format!("{named}\nAll pages were read intact elsewhere."));
            }
            if others > 0 {
                say(&format!("{} no page of a log; passed over.", counted(others, "line holds", "lines hold")));
            }
            Ok(whole)
        }
        Err(PageError::Incomplete { missing, .. }) => {
            let is = if missing.len() == 1 { "page" } else { "pages" };
            let text =
                format!("Missing of {count} pages: {is} {}. Scan them, and give all pages again.", ranges(&missing));
            refused("E_PAGES_MISSING", text)
        }
        Err(e) => refused("E_PAGES_DAMAGED", sentence(&e.to_string())),
    }
}

/// Shows numbers in order as ranges: 2-4, 7.
fn ranges(numbers: &[u16]) -> String {
    let runs = numbers.chunk_by(|a, b| a.checked_add(1) == Some(*b));
    let shown = runs.filter_map(|run| {
        let (first, last) = (run.first()?, run.last()?);
        Some(if first == last { first.to_string() } else { format!("{first}-{last}") })
    });
    shown.collect::<Vec<_>>().join(", ")
}
