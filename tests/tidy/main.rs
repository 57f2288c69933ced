//! What the compiler does not hold: subjects know each other one way only, SQL stands in the store, and files stay small enough to know.

mod arrows;
mod dependencies;
mod names;
mod places;

use anyhow::{Context, Result};
use std::{
    fs,
    path::{Path, PathBuf},
};
use syn::File;

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

fn read(path: &Path) -> Result<File> {
    syn::parse_file(&fs::read_to_string(path)?).with_context(|| path.display().to_string())
}
