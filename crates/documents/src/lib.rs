//! Documents: values in, bytes out.
//!
//! A document is a template in Typst's markup and a struct of plain values that it reads as JSON. Typst lays out and writes tagged PDF;
//! its fonts are built in, and a template can read nothing but its own values.
//!
//! *Invariant:* this crate opens no file, no socket and no database. What stands on a document was put into its values.

pub mod codes;
pub mod docket;
pub mod invoice;
pub mod label;
pub mod packing_list;
pub mod recall_letter;
pub mod receipt;
pub mod record;
pub mod signature;
pub mod statement;
mod typesetting;
pub mod ubl;

pub use typesetting::Error;
