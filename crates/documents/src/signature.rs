//! A signature as an image.

use gillbook_core::selling::signature::{HEIGHT, Signature, WIDTH};
use quick_xml::Writer;

/// The signature as an SVG image (SVG 2), black on nothing.
#[must_use]
pub fn svg(signature: &Signature) -> String {
    let mut out = Writer::new(Vec::new());
    // Writing to memory does not fail.
    let _ = out
        .create_element("svg")
        .with_attributes([
            ("xmlns", "http://www.w3.org/2000/svg"),
            ("viewBox", format!("0 0 {WIDTH} {HEIGHT}").as_str()),
            ("width", WIDTH.to_string().as_str()),
            ("height", HEIGHT.to_string().as_str()),
        ])
        .write_inner_content(|out| {
            out.create_element("path")
                .with_attributes([
                    ("d", signature.path_data().as_str()),
                    ("fill", "none"),
                    ("stroke", "#000"),
                    ("stroke-width", "4"),
                    ("stroke-linecap", "round"),
                    ("stroke-linejoin", "round"),
                ])
                .write_empty()
                .map(drop)
        });
    String::from_utf8_lossy(&out.into_inner()).into_owned()
}
