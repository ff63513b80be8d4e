//! Options of files in and out.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::rates::{IntervalArgs, RuleNumbers};

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Decimal {
    Point,
    Comma,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Delimiter {
    Comma,
    Semicolon,
    Tab,
}

#[derive(Debug, Args)]
pub(crate) struct ImportArgs {
    /// The file: .csv, or .jsonl for JSON lines
    pub(crate) file: PathBuf,
    /// Keep the good rows although some are bad [default: all or nothing]
    #[arg(long)]
    pub(crate) keep_good: bool,
    /// What separates the columns, where the file leaves it open
    #[arg(long)]
    pub(crate) delimiter: Option<Delimiter>,
    /// The decimal mark, where the file leaves it open
    #[arg(long)]
    pub(crate) decimal: Option<Decimal>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Format {
    Csv,
    Json,
    Parquet,
}

#[derive(Debug, Args)]
pub(crate) struct ExportArgs {
    /// csv, json (JSON lines) or parquet
    #[arg(long, default_value = "csv")]
    pub(crate) format: Format,
    /// The file to write; `-` for standard output
    pub(crate) out: PathBuf,
}

#[derive(Debug, Args)]
pub(crate) struct ReportArgs {
    /// The page to write, such as report.html
    pub(crate) out: PathBuf,
    #[command(flatten)]
    pub(crate) rules: RuleNumbers,
    #[command(flatten)]
    pub(crate) interval: IntervalArgs,
}

#[derive(Debug, Args)]
pub(crate) struct CarryArgs {
    /// The file to write; `-` for standard output
    pub(crate) out: PathBuf,
    /// Write over a file that is there
    #[arg(long)]
    pub(crate) force: bool,
    /// Show the log as QR codes instead: an HTML page, or with `-` one after another in the terminal (78 columns, 40
    /// rows)
    #[arg(long)]
    pub(crate) qr: bool,
    /// The most QR codes; a larger log is refused
    #[arg(long, value_name = "N", default_value_t = 40, requires = "qr", value_parser = clap::value_parser!(u16).range(1..))]
    pub(crate) most: u16,
}

#[derive(Debug, Args)]
pub(crate) struct AbsorbArgs {
    /// The carry file; with --pages one or more files of scanned codes, `-` for standard input
    #[arg(required = true, value_name = "FILE")]
    pub(crate) files: Vec<PathBuf>,
    /// Read QR codes of `carry --qr` as a scanner gives them: text, one code a line, in any order
    #[arg(long)]
    pub(crate) pages: bool,
}
