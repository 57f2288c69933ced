//! Subjects know each other one way only.

use anyhow::{Context, Result, ensure};
use gillbook_tests::top;
use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    path::{Path, PathBuf},
};
use syn::{
    ExprMethodCall, File, ImplItem, Item, ItemUse, Path as CodePath, Type, UseTree,
    visit::{Visit, visit_expr_method_call, visit_path},
};

use super::{read, sources, subject_of};

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
