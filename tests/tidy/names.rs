//! Names that were given up, and lengths.

use std::{collections::BTreeSet, fs};

use anyhow::{Result, ensure};
use gillbook_tests::top;
use syn::visit::Visit;

use super::{read, sources};

/// Names that meant several things at once, or for which the field has a term. They do not come back.
const RETIRED: [&str; 34] = [
    "Allows",
    "Answered",
    "Asked",
    "BelievedUntil",
    "CameFrom",
    "Candidate",
    "Coinage",
    "Earned",
    "Fault",
    "Faults",
    "Filled",
    "Followed",
    "Judge",
    "KnownProbe",
    "Listed",
    "LotThere",
    "MakeUp",
    "Morning",
    "NoticeTo",
    "Once",
    "Rejudging",
    "Remedy",
    "Signed",
    "Touched",
    "WasIn",
    "Ways",
    "WentTo",
    "Who",
    "Wish",
    "aged_s",
    "apart_c",
    "judge_first",
    "least_c",
    "most_c",
];

#[derive(Default)]
struct Names(BTreeSet<String>);

impl<'ast> Visit<'ast> for Names {
    fn visit_ident(&mut self, name: &'ast syn::Ident) {
        self.0.insert(name.to_string());
    }
}

#[test]
fn names_that_were_given_up_stay_so() -> Result<()> {
    for path in sources(&top().join("crates"))?.iter().filter(|p| p.components().any(|c| c.as_os_str() == "src")) {
        let mut names = Names::default();
        names.visit_file(&read(path)?);
        let back = RETIRED.iter().find(|name| names.0.contains(**name));
        ensure!(back.is_none(), "{} has {back:?}: the glossary of DEVELOPERS.md has the term for it", path.display());
    }
    Ok(())
}

/// The most lines of a file, without its unit tests, and of a function of the program.
const MAX_FILE_LINES: usize = 400;
const MAX_FUNCTION_LINES: usize = 70;

/// Functions that are longer, mostly for one statement of SQL or one page's fields, and how long they may be. Lowered as they get shorter.
const LONG_FUNCTIONS: [(&str, usize); 9] = [
    ("check", 192),
    ("dockets_where", 118),
    ("excursions_where", 90),
    ("get_fridge", 90),
    ("get_today", 90),
    ("live_and_serve", 72),
    ("set", 82),
    ("set_up", 100),
    ("temperature_record", 78),
];

/// Names and lengths of the functions of a file. Formatted code ends one with a brace as far to the left as its first line.
fn functions(text: &str) -> Vec<(String, usize)> {
    let lines: Vec<&str> = text.lines().collect();
    let begins = |line: &str| -> Option<String> {
        let words = line.trim_start().split_once("fn ").filter(|(before, _)| {
            before.split_whitespace().all(|w| matches!(w, "const" | "async") || w.starts_with("pub"))
        })?;
        Some(words.1.split(|c: char| !c.is_alphanumeric() && c != '_').next()?.to_owned())
    };
    let mut found = Vec::new();
    for (n, line) in lines.iter().enumerate() {
        let Some(name) = begins(line) else { continue };
        let end = format!("{}}}", &line[..line.len() - line.trim_start().len()]);
        // What a trait asks for has no body.
        let is_asked = |l: &str| l.ends_with(';') && (l == *line || l.starts_with(&end.replace('}', ")")));
        let length = lines[n..].iter().position(|l| *l == end || is_asked(l)).map_or(1, |k| k + 1);
        found.push((name, length));
    }
    found
}

#[test]
fn files_and_functions_are_short_enough_to_know() -> Result<()> {
    let mut seen = 0;
    let of_crates = sources(&top().join("crates"))?;
    let of_tests = sources(&top().join("tests"))?;
    let code = of_crates.iter().filter(|p| p.components().any(|c| c.as_os_str() == "src"));
    for path in code.chain(&of_tests) {
        let text = fs::read_to_string(path)?;
        let code = text.split("#[cfg(test)]\nmod").next().unwrap_or_default();
        let lines = code.lines().count();
        ensure!(lines <= MAX_FILE_LINES, "{} has {lines} lines: it holds two things", path.display());
        // A test may be as long as what it lives through.
        for (name, length) in functions(code).into_iter().filter(|_| !of_tests.contains(path)) {
            let max = LONG_FUNCTIONS.iter().find(|(long, _)| *long == name).map_or(MAX_FUNCTION_LINES, |(_, max)| *max);
            ensure!(length <= max, "{}: {name} has {length} lines, and at most {max} are allowed", path.display());
            seen += 1;
        }
    }
    ensure!(seen > 1500, "{seen} functions");
    let sample = functions(
        "    pub(crate) async fn a(\n        b: i32,\n    ) {\n        c();\n    }\nfn d() {}\n    fn e(\n    ) -> f;\n    fn g();\n    }\n",
    );
    let told = [("a", 5), ("d", 1), ("e", 2), ("g", 1)].map(|(name, lines)| (name.to_owned(), lines));
    ensure!(sample == told, "{sample:?}");
    Ok(())
}
