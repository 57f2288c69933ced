//! SQL stands in the store, migrations say why they are there, and the store can be watched.

use anyhow::{Result, ensure};
use gillbook_tests::top;
use std::fs;
use syn::{File, ImplItem, ImplItemFn, Item, Visibility};

use super::{read, sources, subject_of};

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
