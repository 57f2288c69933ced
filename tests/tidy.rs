//! What the compiler does not hold: subjects know each other one way only, SQL stands in the store, and files stay small enough to know.

use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    path::{Path, PathBuf},
};

use anyhow::{Context, Result, ensure};
use gillbook_tests::top;
use serde_json::Value;
use syn::{
    ExprMethodCall, File, ImplItem, ImplItemFn, Item, ItemUse, Path as CodePath, Type, UseTree, Visibility,
    visit::{Visit, visit_expr_method_call, visit_path},
};

/// Each subject, and those that it may know of beside itself.
const CORE: [(&str, &[&str]); 5] = [
    ("units", &[]),
    ("growing", &["units"]),
    ("cold", &["units"]),
    ("ledger", &["units", "growing", "cold"]),
    ("selling", &["units", "growing", "cold", "ledger"]),
];
const STORE: [(&str, &[&str]); 6] = [
    ("farm", &[]),
    ("growing", &["farm"]),
    ("cold", &["farm"]),
    ("ledger", &["farm", "growing", "cold"]),
    ("selling", &["farm", "growing", "cold", "ledger"]),
    ("reports", &["farm", "growing", "cold", "ledger", "selling"]),
];
/// Handlers of one subject do not call those of another.
const API: [(&str, &[&str]); 6] =
    [("farm", &[]), ("growing", &[]), ("ledger", &[]), ("cold", &[]), ("selling", &[]), ("reports", &[])];

fn sources(folder: &Path) -> Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).with_context(|| folder.display().to_string())? {
        let path = entry?.path();
        if path.is_dir() {
            found.extend(sources(&path)?);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
    found.sort();
    Ok(found)
}

fn subject_of<'a>(file: &'a Path, folder: &Path) -> Option<&'a str> {
    let inside = file.strip_prefix(folder).ok()?;
    (inside.components().count() > 1).then(|| inside.components().next()?.as_os_str().to_str())?
}

/// What a file speaks of: subjects by path, and the methods that it calls.
#[derive(Default)]
struct Spoken {
    /// Second segments of paths that begin with `crate` (and with `crate::api` the third).
    subjects: BTreeSet<String>,
    methods: BTreeSet<String>,
}

impl Spoken {
    fn note(&mut self, segments: &[String]) {
        match segments {
            [first, second, third, ..] if first == "crate" && second == "api" => self.subjects.insert(third.clone()),
            [first, second, ..] if first == "crate" => self.subjects.insert(second.clone()),
            _ => false,
        };
    }

    fn note_tree(&mut self, before: &[String], tree: &UseTree) {
        let with = |name: String| [before, &[name]].concat();
        match tree {
            UseTree::Path(path) => self.note_tree(&with(path.ident.to_string()), &path.tree),
            UseTree::Name(name) => self.note(&with(name.ident.to_string())),
            UseTree::Rename(rename) => self.note(&with(rename.ident.to_string())),
            UseTree::Glob(_) => self.note(before),
            UseTree::Group(group) => group.items.iter().for_each(|tree| self.note_tree(before, tree)),
        }
    }
}

impl<'ast> Visit<'ast> for Spoken {
    fn visit_item_use(&mut self, item: &'ast ItemUse) {
        self.note_tree(&[], &item.tree);
    }

    fn visit_path(&mut self, path: &'ast CodePath) {
        let segments: Vec<String> = path.segments.iter().map(|s| s.ident.to_string()).collect();
        self.note(&segments);
        visit_path(self, path);
    }

    fn visit_expr_method_call(&mut self, call: &'ast ExprMethodCall) {
        self.methods.insert(call.method.to_string());
        visit_expr_method_call(self, call);
    }
}

fn read(path: &Path) -> Result<File> {
    syn::parse_file(&fs::read_to_string(path)?).with_context(|| path.display().to_string())
}

/// Methods of the store's handles that a file has.
fn methods_of_handles(file: &File) -> Vec<String> {
    let handles = file.items.iter().filter_map(|item| match item {
        Item::Impl(found) if found.trait_.is_none() => Some(found),
        _ => None,
    });
    let of_handle = handles.filter(|found| match &*found.self_ty {
        Type::Path(name) => name.path.is_ident("Tx") || name.path.is_ident("Store"),
        _ => false,
    });
    of_handle
        .flat_map(|found| &found.items)
        .filter_map(|item| match item {
            ImplItem::Fn(method) => Some(method.sig.ident.to_string()),
            _ => None,
        })
        .collect()
}

/// Every place in a crate where a subject speaks of one that it must not know of.
fn wrong_arrows(folder: &Path, arrows: &[(&str, &[&str])]) -> Result<Vec<String>> {
    let may: BTreeMap<&str, &[&str]> = arrows.iter().copied().collect();
    let files: Vec<(PathBuf, File)> =
        sources(folder)?.into_iter().map(|path| read(&path).map(|file| (path, file))).collect::<Result<_>>()?;
    let mut homes: BTreeMap<String, BTreeSet<&str>> = BTreeMap::new();
    for (path, file) in &files {
        for method in methods_of_handles(file) {
            homes.entry(method).or_default().insert(subject_of(path, folder).unwrap_or_default());
        }
    }
    let mut wrong = Vec::new();
    for (path, file) in &files {
        let Some(own) = subject_of(path, folder) else { continue };
        let Some(known) = may.get(own) else { continue };
        let mut spoken = Spoken::default();
        spoken.visit_file(file);
        let by_method = spoken.methods.iter().filter_map(|method| {
            let homes = homes.get(method)?;
            // Of several methods of one name nobody here can tell which one is meant.
            (homes.len() == 1).then(|| Some((*homes.first()?, format!(".{method}()"))))?
        });
        let by_path = spoken.subjects.iter().map(|subject| (subject.as_str(), format!("crate::{subject}")));
        for (other, how) in by_path.chain(by_method) {
            if may.contains_key(other) && other != own && !known.contains(&other) {
                wrong.push(format!("{} speaks of {other}: {how}", path.display()));
            }
        }
    }
    Ok(wrong)
}

#[test]
fn arrows_between_subjects_run_one_way() -> Result<()> {
    for (folder, arrows) in
        [("crates/core/src", &CORE[..]), ("crates/store/src", &STORE[..]), ("crates/web/src/api", &API[..])]
    {
        let folder = top().join(folder);
        for (subject, _) in arrows {
            ensure!(folder.join(subject).is_dir(), "{} has no folder {subject}", folder.display());
        }
        let wrong = wrong_arrows(&folder, arrows)?;
        ensure!(wrong.is_empty(), "{}", wrong.join("\n"));
    }
    Ok(())
}

/// The test would notice: a subject that calls a method of one after it, or names it.
#[test]
fn an_arrow_the_wrong_way_is_seen() -> Result<()> {
    let crate_ = tempfile::tempdir()?;
    let write = |path: &str, text: &str| -> Result<()> {
        let path = crate_.path().join(path);
        fs::create_dir_all(path.parent().context("a folder")?)?;
        Ok(fs::write(path, text)?)
    };
    write("selling/order.rs", "pub struct Order; impl Tx { pub fn place(&self) {} fn both(&self) {} }")?;
    write("farm/people.rs", "impl Tx { fn both(&self) {} fn hire(&self) { self.place(); self.both(); } }")?;
    write("cold/air.rs", "use crate::{farm::Farm, selling::order::Order};")?;
    write("reports/week.rs", "use crate::selling::order::Order; fn f(tx: &Tx) { tx.place(); }")?;
    let wrong = wrong_arrows(crate_.path(), &STORE)?;
    ensure!(wrong.len() == 2 && wrong.iter().all(|w| w.contains("speaks of selling")), "{wrong:?}");
    Ok(())
}

/// SQL is asked in the store alone; the bench and the test kit have databases of their own.
#[test]
fn sql_stands_in_the_store() -> Result<()> {
    for folder in ["crates/core/src", "crates/documents/src", "crates/web/src", "crates/gillbook/src"] {
        for path in sources(&top().join(folder))? {
            let text = fs::read_to_string(&path)?;
            let asks =
                ["sqlx::query", "query!(", "query_as!(", "query_scalar!("].into_iter().find(|s| text.contains(s));
            ensure!(asks.is_none(), "{} has {asks:?}", path.display());
        }
    }
    Ok(())
}

/// A migration says first why it is there.
#[test]
fn migrations_begin_with_their_reason() -> Result<()> {
    let mut seen = 0;
    for entry in fs::read_dir(top().join("migrations"))? {
        let path = entry?.path();
        let text = fs::read_to_string(&path)?;
        ensure!(text.starts_with("-- ") && text.lines().next().is_some_and(|l| l.len() > 30), "{}", path.display());
        seen += 1;
    }
    ensure!(seen >= 6, "{seen} migrations");
    Ok(())
}

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

/// A public method of the store's handles is one span, named by subject and verb: a slow request tells where it waited.
#[test]
fn every_public_method_of_the_store_is_a_span() -> Result<()> {
    let folder = top().join("crates/store/src");
    let mut seen = 0;
    for path in sources(&folder)? {
        let Some(subject) = subject_of(&path, &folder) else { continue };
        for method in public_async_methods(&read(&path)?) {
            let name = format!("\"store.{subject}.{}\"", method.sig.ident);
            let spans =
                method.attrs.iter().filter(|a| a.path().segments.last().is_some_and(|s| s.ident == "instrument"));
            let named = spans.filter_map(|a| a.meta.require_list().ok()).any(|l| l.tokens.to_string().contains(&name));
            ensure!(named, "{}: {} is no span named {name}", path.display(), method.sig.ident);
            seen += 1;
        }
    }
    ensure!(seen > 100, "{seen} methods");
    Ok(())
}

fn public_async_methods(file: &File) -> Vec<&ImplItemFn> {
    let impls = file.items.iter().filter_map(|item| match item {
        Item::Impl(found) if found.trait_.is_none() => Some(found),
        _ => None,
    });
    impls
        .flat_map(|found| &found.items)
        .filter_map(|item| match item {
            ImplItem::Fn(method) if matches!(method.vis, Visibility::Public(_)) && method.sig.asyncness.is_some() => {
                Some(method)
            }
            _ => None,
        })
        .collect()
}

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

/// The most lines of a file, without its unit tests, and of a function.
const MAX_FILE_LINES: usize = 400;
const MAX_FUNCTION_LINES: usize = 70;

/// Functions that are longer, mostly for one statement of SQL or one page's fields, and how long they may be. Lowered as they get shorter.
const LONG_FUNCTIONS: [(&str, usize); 10] = [
    ("check", 192),
    ("dispatch", 82),
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
    for path in sources(&top().join("crates"))?.iter().filter(|p| p.components().any(|c| c.as_os_str() == "src")) {
        let text = fs::read_to_string(path)?;
        let code = text.split("#[cfg(test)]\nmod").next().unwrap_or_default();
        let lines = code.lines().count();
        ensure!(lines <= MAX_FILE_LINES, "{} has {lines} lines: it holds two things", path.display());
        for (name, length) in functions(code) {
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
