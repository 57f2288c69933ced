//! Labels of lots and crates.

use gillbook_core::{kinds::LabelLayout, selling::label::ElementString};
use serde::Serialize;

use crate::{Error, codes, typesetting::pdf};

/// A code, and what it says to people.
#[derive(Debug, Clone, Serialize)]
struct Code {
    svg: String,
    text: String,
}

/// Labels of one lot, as they print.
#[derive(Debug, Clone, Serialize)]
pub struct Labels {
    /// What they are printed on.
    pub layout: LabelLayout,
    /// How many.
    pub copies: u16,
    /// What is in it.
    pub name: String,
    /// Its grade, in the farm's words.
    pub grade: String,
    /// Net weight; nothing where none is said.
    pub net: String,
    /// The lot.
    pub lot: String,
    /// Harvest day.
    pub harvested: String,
    /// Best before; nothing where there is no such day.
    pub best_before: String,
    /// How it is kept.
    pub storage: String,
    /// The farm's name.
    pub farm: String,
    /// Its address, and its number as a food business.
    pub farm_address: String,
    /// What machines read; without it the code is the lot's alone.
    #[serde(skip)]
    pub elements: Option<ElementString>,
}

/// A linear code as wide as its modules make it.
#[derive(Debug, Clone, Serialize)]
struct Line {
    svg: String,
    modules: usize,
}

#[derive(Serialize)]
struct Printed<'a> {
    #[serde(flatten)]
    labels: &'a Labels,
    /// The house of all documents asks for it.
    paper_size: &'static str,
    code: Code,
    lines: Vec<Line>,
}

impl Labels {
    /// The document as PDF. The same values give the same bytes.
    ///
    /// # Errors
    /// When a code or the template fails, which would be our mistake.
    pub fn pdf(&self) -> Result<Vec<u8>, Error> {
        let code = match &self.elements {
            Some(of) => Code { svg: codes::gs1_data_matrix(&of.for_machines())?, text: of.for_people() },
            None => Code { svg: codes::qr_code(&self.lot)?, text: String::new() },
        };
        let lines = match &self.elements {
            Some(of) if self.layout == LabelLayout::Sheet => {
                let (fixed, lot) = of.in_two();
                let line = |of: &String| codes::gs1_128(of).map(|code| Line { svg: code.svg, modules: code.modules });
                [fixed, lot].iter().map(line).collect()
            }
            _ => Ok(Vec::new()),
        };
        let printed = Printed { labels: self, paper_size: "a4", code, lines: lines? };
        pdf(include_str!("../templates/label.typ"), &printed, &format!("{} {}", self.farm, self.lot))
    }
}
