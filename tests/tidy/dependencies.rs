//! What the program is made of comes from one registry, under licences that allow it.

use anyhow::{Context, Result, ensure};
use gillbook_tests::top;
use serde_json::Value;

/// Licences under which a dependency may stand in a program that is given away under MIT or Apache-2.0.
const LICENCES: [&str; 13] = [
    "MIT",
    "Apache-2.0",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "ISC",
    "Unicode-3.0",
    "Zlib",
    "CC0-1.0",
    "MPL-2.0",
    "OFL-1.1",
    "0BSD",
    "Unlicense",
    "CDLA-Permissive-2.0",
];

/// What a tool of Rust's says.
fn said(tool: &str, args: &[&str]) -> Result<String> {
    let answer = std::process::Command::new(tool).args(args).current_dir(top()).output()?;
    ensure!(answer.status.success(), "{tool}: {}", String::from_utf8_lossy(&answer.stderr));
    Ok(String::from_utf8(answer.stdout)?)
}

/// Whatever is built into the program may be, and comes from the registry or from here.
#[test]
fn dependencies_are_licensed_and_come_from_the_registry() -> Result<()> {
    let version = said("rustc", &["-vV"])?;
    let host = version.lines().find_map(|line| line.strip_prefix("host: ")).context("a host")?;
    let asked = ["metadata", "--format-version=1", "--offline", "--locked", "--filter-platform", host];
    let metadata: Value = serde_json::from_str(&said("cargo", &asked)?)?;
    let packages = metadata["packages"].as_array().context("packages")?;
    ensure!(packages.len() > 300, "{} packages", packages.len());
    for package in packages {
        let name = package["id"].as_str().unwrap_or_default();
        if let Some(source) = package["source"].as_str() {
            ensure!(source.starts_with("registry+"), "{name} comes from {source}");
        }
        let licence = package["license"].as_str().with_context(|| format!("{name} names no licence"))?;
        let licence = spdx::Expression::parse_mode(licence, spdx::ParseMode::LAX).with_context(|| name.to_owned())?;
        let allowed = |req: &spdx::LicenseReq| req.license.id().is_some_and(|id| LICENCES.contains(&id.name));
        ensure!(licence.evaluate(allowed), "{name} is under {licence}");
    }
    Ok(())
}
