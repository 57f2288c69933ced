//! Typst, shut off from the world: one template, one set of values, the built-in fonts.

use std::sync::LazyLock;

use serde::Serialize;
use typst::{
    Library, LibraryExt, World,
    diag::{FileError, FileResult},
    foundations::{Bytes, Datetime, Duration},
    syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot},
    text::{Font, FontBook},
    utils::LazyHash,
};
use typst_kit::fonts::{FontStore, embedded};
use typst_pdf::PdfOptions;

/// Why a document could not be made: a mistake in a template of ours.
#[derive(Debug, thiserror::Error)]
#[error("a document could not be set: {0}")]
pub struct Error(String);

impl Error {
    pub(crate) fn new(what: impl Into<String>) -> Self {
        Self(what.into())
    }
}

static FONTS: LazyLock<FontStore> = LazyLock::new(|| {
    let mut fonts = FontStore::new();
    fonts.extend(embedded());
    fonts
});

static LIBRARY: LazyLock<LazyHash<Library>> = LazyLock::new(|| LazyHash::new(Library::default()));

struct Sheet {
    main: Source,
    house: Source,
    values: (FileId, Bytes),
}

fn file(name: &str) -> Result<FileId, Error> {
    let path = VirtualPath::new(name).map_err(|e| Error(format!("{name}: {e:?}")))?;
    Ok(RootedPath::new(VirtualRoot::Project, path).intern())
}

impl World for Sheet {
    fn library(&self) -> &LazyHash<Library> {
        &LIBRARY
    }

    fn book(&self) -> &LazyHash<FontBook> {
        FONTS.book()
    }

    fn main(&self) -> FileId {
        self.main.id()
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        [&self.main, &self.house].into_iter().find(|s| s.id() == id).cloned().ok_or(FileError::AccessDenied)
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        if id == self.values.0 { Ok(self.values.1.clone()) } else { Err(FileError::AccessDenied) }
    }

    fn font(&self, index: usize) -> Option<Font> {
        FONTS.font(index)
    }

    /// A document carries the dates of its values and never that of its printing, so that the same values give the same bytes.
    fn today(&self, _: Option<Duration>) -> Option<Datetime> {
        None
    }
}

/// Forgets what was remembered while setting, also when it fails.
struct Forget;

impl Drop for Forget {
    fn drop(&mut self) {
        comemo::evict(0);
    }
}

/// Sets a template with its values as PDF.
pub(crate) fn pdf(template: &str, values: &impl Serialize, ident: &str) -> Result<Vec<u8>, Error> {
    let values = serde_json::to_vec(values).map_err(|e| Error(e.to_string()))?;
    let sheet = Sheet {
        main: Source::new(file("/document.typ")?, template.to_owned()),
        house: Source::new(file("/house.typ")?, include_str!("../templates/house.typ").to_owned()),
        values: (file("/values.json")?, Bytes::new(values)),
    };
    // What the library remembers of a document is of no use to the next one, and some megabytes each.
    let _forget = Forget;
    let document = typst::compile::<typst_layout::PagedDocument>(&sheet).output.map_err(|e| Error(first(&e)))?;
    let options = PdfOptions {
        ident: typst::foundations::Smart::Custom(ident.to_owned()),
        creator: typst::foundations::Smart::Custom(Some("Gillbook".to_owned())),
        ..PdfOptions::default()
    };
    typst_pdf::pdf(&document, &options).map_err(|e| Error(first(&e)))
}

fn first(errors: &[typst::diag::SourceDiagnostic]) -> String {
    errors.first().map(|e| e.message.to_string()).unwrap_or_default()
}
