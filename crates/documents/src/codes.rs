//! Codes that machines read, as SVG in black. How large they print is the template's.

use barcoders::sym::code128::Code128;
use datamatrix::{DataMatrix, SymbolList};
use qrcode::QrCode;

use crate::Error;

/// How the library writes the change to digits in pairs, to text, and the mark of GS1.
const PAIRS: char = '\u{106}';
const TEXT: char = '\u{181}';
const FNC1: char = '\u{179}';

/// A linear code: its drawing, one module high and to be stretched, and how many modules it is wide.
pub struct Linear {
    /// The drawing.
    pub svg: String,
    /// Its width with the quiet zones, in modules.
    pub modules: usize,
}

/// Modules of quiet zone beside a linear code.
const QUIET: usize = 10;

/// A drawing of squares on a grid with a quiet zone around it.
fn squares(width: usize, height: usize, quiet: usize, dark: impl Iterator<Item = (usize, usize)>) -> String {
    let path = dark.map(|(x, y)| format!("M{} {}h1v1h-1z", x + quiet, y + quiet)).collect::<Vec<_>>().concat();
    let (width, height) = (width + 2 * quiet, height + 2 * quiet);
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" shape-rendering=\"crispEdges\"><path d=\"{path}\"/></svg>"
    )
}

fn cannot(what: &str) -> Error {
    Error::new(format!("{what} cannot be coded"))
}

/// A GS1 element string as GS1 `DataMatrix` (ISO/IEC 16022, beginning with FNC1), one module of quiet zone.
///
/// # Errors
/// When it is longer than a code can be.
pub fn gs1_data_matrix(elements: &str) -> Result<String, Error> {
    let code = DataMatrix::encode_gs1(elements.as_bytes(), SymbolList::default().enforce_square());
    let bitmap = code.map_err(|_| cannot(elements))?.bitmap();
    Ok(squares(bitmap.width(), bitmap.height(), 1, bitmap.pixels()))
}

/// A text as QR code (ISO/IEC 18004), four modules of quiet zone.
///
/// # Errors
/// When it is longer than a code can be.
pub fn qr_code(text: &str) -> Result<String, Error> {
    let code = QrCode::new(text).map_err(|_| cannot(text))?;
    let width = code.width();
    let dark = code.to_colors().into_iter().enumerate().filter(|(_, c)| *c == qrcode::Color::Dark);
    Ok(squares(width, width, 4, dark.map(|(n, _)| (n % width, n / width))))
}

/// A GS1 element string as GS1-128 (ISO/IEC 15417, beginning with FNC1), ten modules of quiet zone. Digits are coded in pairs as far as they go.
///
/// # Errors
/// When it holds what the code cannot.
pub fn gs1_128(elements: &str) -> Result<Linear, Error> {
    let digits = elements.bytes().take_while(u8::is_ascii_digit).count();
    let (pairs, text) = elements.split_at(digits - digits % 2);
    let text = if text.is_empty() { String::new() } else { format!("{TEXT}{text}") };
    let code = Code128::new(format!("{PAIRS}{FNC1}{pairs}{text}")).map_err(|_| cannot(elements))?;
    let bars = code.encode();
    let dark = bars.iter().enumerate().filter(|(_, bar)| **bar == 1).map(|(x, _)| format!("M{} 0h1v1h-1z", x + QUIET));
    let (modules, path) = (bars.len() + 2 * QUIET, dark.collect::<Vec<_>>().concat());
    let svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {modules} 1\" preserveAspectRatio=\"none\" shape-rendering=\"crispEdges\"><path d=\"{path}\"/></svg>"
    );
    Ok(Linear { svg, modules })
}
