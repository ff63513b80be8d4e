//! Which binary is tested.

use std::env::{self, consts::EXE_SUFFIX};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// Returns the path of the tool: `EMBERTALLY_BIN`, else the one that was built beside this test.
///
/// It is built here if it is missing, and only then: `tests/run` builds it first, and a build for every test process
/// would cost more than the tests.
pub fn binary() -> &'static Path {
    static FOUND: OnceLock<PathBuf> = OnceLock::new();
    FOUND.get_or_init(find)
}

fn find() -> PathBuf {
    if let Some(path) = env::var_os("EMBERTALLY_BIN").filter(|path| !path.is_empty()) {
        return std::path::absolute(path).expect("EMBERTALLY_BIN is no path");
    }
    let test = env::current_exe().expect("the system does not say where this test is");
    let profile = test.ancestors().nth(2).expect("this test is not in target/PROFILE/deps");
    let binary = profile.join(format!("embertally{EXE_SUFFIX}"));
    if !binary.is_file() {
        build(profile);
    }
    binary
}

fn build(profile: &Path) {
    let cargo = env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let mut command = Command::new(cargo);
    command.args(["build", "--locked", "--package", "embertally-cli", "--manifest-path"]);
    command.arg(concat!(env!("CARGO_MANIFEST_DIR"), "/../Cargo.toml"));
    command.arg("--target-dir").args(profile.parent());
    // The folder of the profile `dev` is called `debug`.
    match profile.file_name().and_then(|name| name.to_str()) {
        None | Some("debug") => {}
        Some(name) => drop(command.args(["--profile", name])),
    }
    let status = command.status().expect("cargo cannot be run");
    assert!(status.success(), "the tool cannot be built: {status}");
}
