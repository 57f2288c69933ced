//! A name that was signed with a finger.

use std::fmt::Write;

use serde::{Deserialize, Serialize};
use utoipa::{
    PartialSchema, ToSchema,
    openapi::{ArrayBuilder, ObjectBuilder, RefOr, Schema, schema::ArrayItems, schema::Type},
};

/// Width of the box that it is drawn in.
pub const WIDTH: u16 = 600;
/// Height of that box.
pub const HEIGHT: u16 = 200;
/// The most strokes.
const MAX_STROKES: usize = 100;
/// The most points of all strokes.
const MAX_POINTS: usize = 3000;

/// A signature: strokes, each a list of points `[x, y]` from the upper left corner of a box of 600 by 200. 1 to 100 strokes with 3000 points
/// in all.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "Vec<Vec<Vec<u16>>>")]
pub struct Signature(Vec<Vec<[u16; 2]>>);

impl TryFrom<Vec<Vec<Vec<u16>>>> for Signature {
    type Error = String;

    fn try_from(strokes: Vec<Vec<Vec<u16>>>) -> Result<Self, String> {
        // By the lists and not as serde reads a pair: what has three numbers is then a mistake of this field, and not of the whole body.
        let pair = |point: Vec<u16>| <[u16; 2]>::try_from(point);
        let strokes: Result<Vec<Vec<[u16; 2]>>, _> =
            strokes.into_iter().map(|stroke| stroke.into_iter().map(pair).collect()).collect();
        let strokes = strokes.map_err(|_| "A point is two numbers. Clear it and sign again.")?;
        if strokes.is_empty() || strokes.iter().any(Vec::is_empty) {
            return Err("Nothing is drawn. Sign in the box, or leave it out.".into());
        }
        if strokes.len() > MAX_STROKES || strokes.iter().map(Vec::len).sum::<usize>() > MAX_POINTS {
            return Err("That is more than a signature. Clear it and sign again.".into());
        }
        if strokes.iter().flatten().any(|[x, y]| *x > WIDTH || *y > HEIGHT) {
            return Err(format!("A point lies outside the box of {WIDTH} by {HEIGHT}. Clear it and sign again."));
        }
        Ok(Self(strokes))
    }
}

impl Signature {
    /// Its strokes as the path data of an SVG image (SVG 2, §9.3). A dot is a line of no length.
    #[must_use]
    pub fn path_data(&self) -> String {
        let mut path = String::new();
        for stroke in &self.0 {
            for (n, [x, y]) in stroke.iter().enumerate() {
                let command = if n == 0 { 'M' } else { 'L' };
                // Writing to a string does not fail.
                let _ = write!(path, "{command}{x} {y}");
            }
            if stroke.len() == 1 {
                path.push_str("h0");
            }
        }
        path
    }
}

impl PartialSchema for Signature {
    fn schema() -> RefOr<Schema> {
        let number = |max: u16| ObjectBuilder::new().schema_type(Type::Integer).minimum(Some(0)).maximum(Some(max));
        let pair: Vec<Schema> = vec![number(WIDTH).into(), number(HEIGHT).into()];
        let point =
            ArrayBuilder::new().prefix_items(pair).items(ArrayItems::False).min_items(Some(2)).max_items(Some(2));
        let stroke = ArrayBuilder::new().items(point).min_items(Some(1)).max_items(Some(MAX_POINTS));
        ArrayBuilder::new()
            .items(stroke)
            .min_items(Some(1))
            .max_items(Some(MAX_STROKES))
            .description(Some("Strokes drawn with a finger: lists of points [x, y] in a box of 600 by 200, at most 3000 points in all."))
            .into()
    }
}

impl ToSchema for Signature {}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;

    fn read(strokes: Value) -> Result<Signature, String> {
        serde_json::from_value(strokes).map_err(|e| e.to_string())
    }

    #[test]
    fn strokes_become_a_path() {
        let signed = read(json!([[[0, 0], [600, 200]], [[7, 8]]])).unwrap();
        assert_eq!(signed.path_data(), "M0 0L600 200M7 8h0");
        assert_eq!(serde_json::to_value(&signed).unwrap(), json!([[[0, 0], [600, 200]], [[7, 8]]]));
    }

    #[test]
    fn what_is_no_signature_is_refused() {
        let long = vec![json!([1, 1]); MAX_POINTS + 1];
        for strokes in [
            json!([]),
            json!([[]]),
            json!([[[601, 0]]]),
            json!([[[0, 201]]]),
            json!([[[-1, 0]]]),
            json!([[[1]]]),
            json!("M0 0"),
            json!([long]),
            json!(vec![json!([[1, 1]]); MAX_STROKES + 1]),
        ] {
            assert!(read(strokes.clone()).is_err(), "{strokes}");
        }
        assert!(read(json!([vec![json!([1, 1]); MAX_POINTS]])).is_ok());
    }
}
