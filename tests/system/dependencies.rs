//! What the project is made of: licences, and crates that come twice. Advisories are not looked up: their list is not to
//! be had offline.

use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;

use serde_json::Value;

/// Licences that a user may take on with the tool.
const LICENCES: &[&str] = &[
    "0BSD",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BlueOak-1.0.0",
    "BSL-1.0",
    "CC0-1.0",
    "CDLA-Permissive-2.0",
    "ISC",
    "MIT",
    "MIT-0",
    "MPL-2.0",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
];

/// More crates in two versions than this, and somebody has to look.
const MOST_TWICE: usize = 30;

/// Tells whether an SPDX expression (or the older form with a slash) allows one of the licences above.
fn is_allowed(expression: &str) -> bool {
    let plain = expression.replace('/', " OR ").replace(['(', ')'], "");
    // `A OR B AND C` with brackets taken away reads `(A OR B) AND C` in every crate that has both: stricter is safe.
    plain.split(" AND ").all(|all| all.split(" OR ").any(|one| LICENCES.contains(&one.trim())))
}

#[test]
fn licences_are_known_and_few_crates_come_twice() {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let manifest = concat!(env!("CARGO_MANIFEST_DIR"), "/../Cargo.toml");
    let call = ["metadata", "--locked", "--offline", "--format-version", "1", "--manifest-path", manifest];
    let host = Command::new(&cargo).args(call).output().expect("cargo cannot be run");
    assert!(host.status.success(), "{}", String::from_utf8_lossy(&host.stderr));
    let metadata: Value = serde_json::from_slice(&host.stdout).expect("no JSON");
    let packages = metadata["packages"].as_array().expect("packages");
    let text = |package: &Value, field: &str| package[field].as_str().unwrap_or_default().to_owned();
    let refused: Vec<String> = packages
        .iter()
        .filter(|p| !is_allowed(&text(p, "license")))
        .map(|p| format!("{} {}: {:?}", text(p, "name"), text(p, "version"), text(p, "license")))
        .collect();
    assert!(packages.len() > 100 && refused.is_empty(), "licences nobody has looked at: {refused:#?}");
    let mut versions: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for package in packages {
        versions.entry(text(package, "name")).or_default().insert(text(package, "version"));
    }
    let twice: Vec<_> = versions.iter().filter(|(_, v)| v.len() > 1).map(|(name, _)| name).collect();
    assert!(twice.len() <= MOST_TWICE, "{} crates in several versions: {twice:?}", twice.len());
}

#[test]
fn a_licence_is_read_as_it_is_meant() {
    for good in
        ["MIT OR GPL-3.0", "MIT/Apache-2.0", "(MIT OR Apache-2.0) AND Unicode-3.0", "Apache-2.0 WITH LLVM-exception"]
    {
        assert!(is_allowed(good), "{good}");
    }
    for bad in ["", "GPL-3.0", "MIT AND GPL-3.0", "AGPL-3.0-only", "SSPL-1.0 AND (MIT OR Apache-2.0)"] {
        assert!(!is_allowed(bad), "{bad}");
    }
}
