//! Files in and out: shots, weather, and what is carried from device to device.

use std::fs;
use std::path::Path;

use embertally_core::exchange::{
    DecimalMark, Delimiter, Import, ImportError, ImportOptions, Known, read_csv, read_jsonl, read_weather,
    rows_of_volley, with_homes, write_csv, write_jsonl,
};
use embertally_core::facts::OutingId;
use embertally_core::ledger::LiveChanges;
use embertally_core::log::{Carried, Written};
use embertally_core::rates::{Group, RatesRequest, rates};
use indicatif::{ProgressBar, ProgressStyle};
use serde_json::json;

use super::Context;
use super::crew::confirm_joinings;
use super::qr::{self, Shown};
use super::rates::rates_error;
use super::target::Target;
use crate::args::{self, AbsorbArgs, CarryArgs, ExportArgs, Format, ImportArgs};
use crate::commands::print_rates;
use crate::error::{CliError, file_error};
use crate::output::{self, Answer, counted, say};
use crate::session::Session;

/// Reads a whole file.
fn read(path: &Path) -> Result<Vec<u8>, CliError> {
    fs::read(path).map_err(|e| file_error("read", path, &e))
}

/// A bar for anything that may take over a second; none where nobody watches.
fn bar(what: &'static str) -> ProgressBar {
    let style =
        ProgressStyle::with_template("{spinner} {msg} {elapsed}").unwrap_or_else(|_| ProgressStyle::default_bar());
    let bar = ProgressBar::new_spinner().with_style(style).with_message(what);
    bar.enable_steady_tick(std::time::Duration::from_millis(200));
    bar
}

/// Says what is wrong with a file, place by place.
fn import_error(path: &Path, error: &ImportError) -> CliError {
    let name = path.display();
    let code = match error {
        ImportError::BadRows { .. } => "E_BAD_ROWS",
        ImportError::MissingColumns { .. } => "E_MISSING_COLUMNS",
        ImportError::TooManyRows { .. } => "E_TOO_MANY_ROWS",
        _ => "E_FORMAT",
    };
    let mut text = match error {
        ImportError::BadRows { bad, count } => {
            let rows = if *count == 1 { "row" } else { "rows" };
            let mut text = format!("{count} bad {rows} in {name}:");
            for row in bad.iter().take(20) {
                text.push_str(&format!("\n  {row}"));
            }
            if *count > 20 {
                text.push_str(&format!("\n  and {} more", count - 20));
            }
            text.push_str("\nCorrect them, or keep the good rows with --keep-good.");
            text
        }
        other => format!("{name}, {other}."),
    };
    text.push_str(" Nothing was imported; the log is as it was.");
    CliError::refused(code, text)
}

fn options(args: &ImportArgs) -> ImportOptions {
    ImportOptions {
        keep_good: args.keep_good,
        delimiter: args.delimiter.map(|d| match d {
            args::Delimiter::Comma => Delimiter::Comma,
            args::Delimiter::Semicolon => Delimiter::Semicolon,
            args::Delimiter::Tab => Delimiter::Tab,
        }),
        decimal: args.decimal.map(|d| match d {
            args::Decimal::Point => DecimalMark::Point,
            args::Decimal::Comma => DecimalMark::Comma,
        }),
        ..ImportOptions::default()
    }
}

fn store(session: &mut Session, import: &mut Import) -> Result<Written, CliError> {
    let mut entries = with_homes(std::mem::take(&mut import.entries));
    session.write_all(&mut entries)
}

pub(super) fn import(context: &Context, args: &ImportArgs) -> Result<(), CliError> {
    let progress = bar("reading");
    let bytes = read(&args.file)?;
    // A file that cannot be read must not leave an empty log behind.
    let opened = if context.has_log()? { Some(context.open()?) } else { None };
    let (mut session, known) = match opened {
        Some(mut session) => {
            let known = Known::of(session.ledger()?.register());
            (Some(session), known)
        }
        None => (None, Known::default()),
    };
    let is_lines =
        args.file.extension().is_some_and(|e| ["jsonl", "ndjson", "json"].iter().any(|w| e.eq_ignore_ascii_case(w)));
    let read = if is_lines { read_jsonl } else { read_csv };
    let mut import = read(&bytes, &options(args), &known).map_err(|e| import_error(&args.file, &e))?;
    progress.set_message("writing");
    let mut session = match session.take() {
        Some(session) => session,
        None => context.open()?,
    };
    let written = store(&mut session, &mut import)?;
    progress.finish_and_clear();
    for notice in &import.notices {
        say(&notice.to_string());
    }
    for row in &import.bad {
        say(&format!("Left out: {row}."));
    }
    if context.json {
        return output::json(&json!({
            "rows": import.rows, "bad_rows": import.bad_count,
            "entries_added": written.added, "entries_already_there": written.already,
            "notices": import.notices, "bad": import.bad,
        }));
    }
    say(&format!(
        "Saved on this device, in {}: {}; {} new, {} there already.",
        session.folder().display(),
        counted(import.rows as usize, "row", "rows"),
        counted(written.added, "entry is", "entries are"),
        counted(written.already, "was", "were"),
    ));
    let ledger = session.ledger()?;
    let by = vec![Group::Lot, Group::Fuse, Group::Weather];
    let table = rates(&ledger, &RatesRequest { by, ..RatesRequest::default() }).map_err(|e| rates_error(&e))?;
    print_rates(&table)?;
    let (disputes, live) = (ledger.disputes().len(), ledger.live().len());
    if disputes + live > 0 {
        let (disputes, live) = (counted(disputes, "dispute", "disputes"), counted(live, "shot", "shots"));
        say(&format!("{disputes} (embertally disputes), {live} to treat as live (embertally live)."));
    }
    let twice = ledger.proposals().len();
    if twice > 0 {
        say(&format!(
            "{} that are in the log already and {} counted twice until you answer (embertally disputes).",
            counted(twice, "volley looks like one", "volleys look like ones"),
            if twice == 1 { "is" } else { "are" }
        ));
    }
    Ok(())
}

/// Takes in a file of weather readings.
pub(super) fn weather(
    context: &Context,
    session: &mut Session,
    outing: OutingId,
    path: &Path,
    source: Option<&str>,
) -> Result<(), CliError> {
    let bytes = read(path)?;
    let known = Known::of(session.register_ledger(Some(outing))?.register());
    let mut import =
        read_weather(&bytes, outing, source, &ImportOptions::default(), &known).map_err(|e| import_error(path, &e))?;
    let written = store(session, &mut import)?;
    for notice in &import.notices {
        say(&notice.to_string());
    }
    if context.json {
        return output::json(&json!({
            "rows": import.rows, "entries_added": written.added, "entries_already_there": written.already,
            "notices": import.notices,
        }));
    }
    let readings = counted(import.rows as usize, "reading", "readings");
    say(&format!("Saved on this device: {readings}; {} new.", counted(written.added, "entry is", "entries are")));
    Ok(())
}

pub(super) fn export(context: &Context, args: &ExportArgs) -> Result<(), CliError> {
    if args.format == Format::Parquet {
        return Err(CliError::refused(
            "E_NOT_THERE",
            "This build does not write parquet yet; use --format csv or --format json.",
        ));
    }
    let mut session = context.open_to_read()?;
    let target = Target::open(session.folder(), &args.out, true)?;
    let ledger = session.ledger()?;
    let progress = bar("writing");
    let mut count = 0;
    target.write(|out| {
        let rows = ledger.volleys().flat_map(|view| rows_of_volley(&ledger, &view));
        let written = if args.format == Format::Csv { write_csv(out, rows) } else { write_jsonl(out, rows) };
        count = written.map_err(|e| file_error("write", &args.out, &e))?;
        Ok(())
    })?;
    progress.finish_and_clear();
    if context.json {
        return target.answer(json!({ "rows": count, "file": args.out.display().to_string() }), &session);
    }
    say(&format!("{} written to {target}.", counted(count as usize, "row", "rows")));
    Ok(())
}

pub(super) fn carry(context: &Context, args: &CarryArgs) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let target = Target::open(session.folder(), &args.out, args.force)?;
    if args.qr {
        return carry_qr(context, &mut session, &target, args);
    }
    let mut carried = None;
    target.write(|out| {
        carried = Some(session.log.carry(out)?);
        Ok(())
    })?;
    session.tell_problems();
    let carried = carried.unwrap_or_default();
    if context.json {
        let answer = json!({ "documents": carried.documents, "entries": carried.entries, "bytes": carried.bytes });
        return target.answer(answer, &session);
    }
    say(&format!(
        "{} written to {target} ({} kB). Hand it over and take it in there with `embertally absorb`.",
        holds(&carried),
        carried.bytes.div_ceil(1000)
    ));
    Ok(())
}

fn holds(carried: &Carried) -> String {
    let entries = counted(carried.entries, "entry", "entries");
    format!("{entries} in {}", counted(carried.documents, "document", "documents"))
}

/// Shows the log as QR codes, on a page or in the terminal.
fn carry_qr(context: &Context, session: &mut Session, target: &Target<'_>, args: &CarryArgs) -> Result<(), CliError> {
    let mut bytes = Vec::new();
    let carried = session.log.carry(&mut bytes)?;
    session.tell_problems();
    let is_terminal = args.out == Path::new("-");
    let shown = if is_terminal { Shown::Terminal } else { Shown::Page };
    let texts = qr::texts(&bytes, shown, args.most)?;
    if !is_terminal {
        let page = qr::page(&texts, &holds(&carried))?;
        target.write(|out| out.write_all(page.as_bytes()).map_err(|e| file_error("write", &args.out, &e)))?;
    } else if !context.json {
        qr::print(&texts)?;
    }
    if context.json {
        let answer = json!({
            "documents": carried.documents, "entries": carried.entries, "bytes": carried.bytes, "pages": texts,
        });
        return output::json(&Answer::new(answer, session.problems()));
    }
    say(&format!(
        "{}, in {}{}. Scan them all, in any order, and take what was scanned in with `embertally absorb --pages`.",
        holds(&carried),
        counted(texts.len(), "code", "codes"),
        if is_terminal { String::new() } else { format!(", written to {target}") },
    ));
    Ok(())
}

pub(super) fn absorb(context: &Context, args: &AbsorbArgs) -> Result<(), CliError> {
    let bytes = match &args.files[..] {
        files if args.pages => qr::gather(files)?,
        [file] => read(file)?,
        _ => {
            let text = "Carry files are taken in one at a time; several files of scanned codes need --pages.";
            return Err(CliError::Usage(text.to_owned()));
        }
    };
    let mut session = context.open()?;
    let before = session.ledger()?;
    let absorbed = session.log.absorb(&bytes)?;
    confirm_joinings(&mut session)?;
    let after = session.ledger()?;
    let LiveChanges { new, gone } = after.live_changes(&before);
    if context.json {
        return output::json(&json!({
            "documents": absorbed.documents, "entries_added": absorbed.added.len(), "entries_already_there": absorbed.already,
            "newly_live": new, "no_longer_live": gone, "forgotten_left_out": absorbed.forgotten,
        }));
    }
    say(&format!(
        "Saved on this device: {} new, {} there already.",
        counted(absorbed.added.len(), "entry is", "entries are"),
        counted(absorbed.already, "was", "were"),
    ));
    if absorbed.forgotten > 0 {
        let names = counted(absorbed.forgotten, "name that is", "names that are");
        say(&format!("Left out: {names} forgotten here. The file still holds them; delete it when it is not needed."));
    }
    if new + gone > 0 {
        let shots = counted(new, "shot is", "shots are");
        say(&format!(
            "The live list changed: {shots} new on it, {gone} left it. Look before anybody walks: embertally live."
        ));
    }
    let (disputes, proposals) = (after.disputes().len(), after.proposals().len());
    if disputes + proposals > 0 {
        let disputes = counted(disputes, "dispute", "disputes");
        let proposals = counted(proposals, "proposal", "proposals");
        say(&format!("{disputes} and {proposals} to look at: embertally disputes."));
    }
    Ok(())
}
