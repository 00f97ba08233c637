//! What the program is built from: every crate comes from the registry, under a licence that lets anybody use and pass it on.
use std::process::Command;

use serde_json::Value;

/// SPDX identifiers of permissive licences.
const PERMISSIVE: &[&str] =
    &["MIT", "MIT-0", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "ISC", "0BSD", "Zlib", "BSL-1.0", "Unlicense", "Unicode-3.0"];
/// Crates under another licence, with the reason why it does.
const OTHERWISE: &[(&str, &str)] =
    &[("webdriver", "MPL-2.0, for the tests in a browser alone: its own files stay open, and they are not changed here")];

/// Whether an expression lets one choose permissive licences alone.
fn permits(expression: &str) -> bool {
    let identifiers =
        || expression.split([' ', '/', '(', ')']).filter(|word| !matches!(*word, "" | "OR" | "AND" | "WITH" | "LLVM-exception"));
    let permissive = |identifier: &str| PERMISSIVE.contains(&identifier);
    let all = identifiers().all(permissive);
    // Without an AND one of them is enough.
    all && identifiers().next().is_some() || !expression.contains(" AND ") && identifiers().any(permissive)
}

#[test]
fn every_crate_may_be_used_and_passed_on() {
    let manifest = concat!(env!("CARGO_MANIFEST_DIR"), "/Cargo.toml");
    let cargo = Command::new(env!("CARGO")).args(["metadata", "--format-version", "1", "--locked", "--manifest-path", manifest]).output();
    let said = cargo.expect("cargo runs");
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
    let metadata: Value = serde_json::from_slice(&said.stdout).unwrap();
    let packages = metadata["packages"].as_array().unwrap();
    assert!(packages.len() > 200, "{}", packages.len());
    let mut used = Vec::new();
    for package in packages {
        let (name, license) = (package["name"].as_str().unwrap(), package["license"].as_str().unwrap_or_default());
        match OTHERWISE.iter().find(|known| known.0 == name) {
            Some(known) => used.push(known.0),
            None => assert!(permits(license), "{name} is under {license:?}"),
        }
        let source = package["source"].as_str().unwrap_or("here");
        assert!(source == "here" && name == "witnessmark" || source.starts_with("registry+"), "{name} comes from {source}");
    }
    used.dedup();
    assert_eq!(used.len(), OTHERWISE.len(), "a reason for a crate that is gone");
}

#[test]
fn an_expression_is_read_as_it_is_meant() {
    for good in
        ["MIT", "MIT/Apache-2.0", "Apache-2.0 WITH LLVM-exception OR MIT", "(MIT OR Apache-2.0) AND Unicode-3.0", "MIT OR GPL-3.0-only"]
    {
        assert!(permits(good), "{good}");
    }
    for bad in ["", "GPL-3.0-only", "MIT AND GPL-3.0-only", "AGPL-3.0-or-later"] {
        assert!(!permits(bad), "{bad}");
    }
}

/// What `docker-compose.yml` copies, is built with and tells the server is there; likewise the settings that the README names.
#[test]
fn the_container_is_made_of_what_is_here() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let read = |name: &str| std::fs::read_to_string(folder.join(name)).unwrap();
    let (compose, readme) = (read("docker-compose.yml"), read("README.md"));
    let copies: Vec<_> =
        compose.lines().filter_map(|line| line.trim().strip_prefix("COPY ")).filter(|line| !line.starts_with("--")).collect();
    let sources = || copies.iter().flat_map(|line| line.rsplit(' ').skip(1));
    assert!(sources().all(|source| folder.join(source).exists()), "{copies:?}");
    for needed in ["Cargo.toml", "Cargo.lock", "migrations", "templates", "src", "demo"] {
        assert!(sources().any(|source| source == needed), "{needed} is copied");
    }
    assert!(compose.contains(&format!("FROM rust:{}-", env!("CARGO_PKG_RUST_VERSION"))), "the toolchain is the one of Cargo.toml");
    let help = Command::new(env!("CARGO_BIN_EXE_witnessmark")).args(["serve", "--help"]).output().unwrap();
    let help = String::from_utf8(help.stdout).unwrap();
    let settings = |text: &str| -> Vec<String> {
        let name = |rest: &str| rest.split(|letter: char| !letter.is_ascii_uppercase() && letter != '_').next().unwrap().to_owned();
        text.split("WITNESSMARK_").skip(1).map(name).collect()
    };
    let named: Vec<_> = [&compose, &readme].into_iter().flat_map(|text| settings(text)).collect();
    for name in &named {
        // The port is the container's; the log is set up before the command line is read.
        let known = ["PORT", "LOG", "LOG_FORMAT"].contains(&name.as_str());
        assert!(known || help.contains(&format!("[env: WITNESSMARK_{name}")), "WITNESSMARK_{name} is a setting of serve");
    }
    assert!(named.len() > 5, "{named:?}");
}
