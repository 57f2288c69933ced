//! Finding: which thing on the farm somebody means by a few letters of its code or name, however they were typed.

use std::cmp::Reverse;

use serde::{Deserialize, Serialize};
use unicode_normalization::{UnicodeNormalization, char::is_combining_mark};
use utoipa::ToSchema;

use crate::kinds::FoundKind;

/// The most letters that are looked for.
pub const MAX_QUERY_CHARS: usize = 100;

/// The most things of a kind that are shown.
const MAX_OF_A_KIND: usize = 8;

/// Words shorter than this are not guessed at: too many others are a letter away.
const MIN_GUESSED_CHARS: usize = 4;

/// Words from this length on may have a second letter wrong.
const LONG_WORD_CHARS: usize = 8;

/// Something on the farm that has a code.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Found {
    /// What it is.
    pub kind: FoundKind,
    /// Its code.
    pub code: String,
    /// Its name; of a lot or batch that of its strain, of an order or docket that of its customer.
    pub name: String,
    /// The day of its harvest, making or delivery; none of a customer or product.
    pub day: Option<chrono::NaiveDate>,
}

/// How well something answers a query, the best first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Closeness {
    /// It is its code.
    Code,
    /// Its code begins so.
    CodeBegins,
    /// Words of its name begin so.
    NameBegins,
    /// Its code has that in it.
    CodeContains,
    /// Its name has that in it.
    NameContains,
    /// Its name has words that differ by a letter or two.
    Misspelt,
}

/// A text without case, accents and marks, in words.
fn words(text: &str) -> Vec<String> {
    let plain: String = text.nfkd().filter(|c| !is_combining_mark(*c)).flat_map(char::to_lowercase).collect();
    plain.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).map(str::to_owned).collect()
}

/// A code as it is looked for: capital letters and digits, without what stands between them. Empty where nothing of it can be in a code.
#[must_use]
pub fn code_of(query: &str) -> String {
    words(query).concat().chars().filter(char::is_ascii_alphanumeric).collect::<String>().to_uppercase()
}

/// How well a code and a name answer a query; `None` where they do not.
#[must_use]
pub fn closeness(query: &str, code: &str, name: &str) -> Option<Closeness> {
    let wanted = words(query);
    if wanted.is_empty() {
        return None;
    }
    let (code, wanted_code) = (code_of(code), code_of(query));
    let named = words(name);
    let each = |holds: &dyn Fn(&str, &str) -> bool| wanted.iter().all(|w| named.iter().any(|n| holds(n, w)));
    let begins = !wanted_code.is_empty() && code.starts_with(&wanted_code);
    match () {
        () if begins && code == wanted_code => Some(Closeness::Code),
        () if begins => Some(Closeness::CodeBegins),
        () if each(&|n, w| n.starts_with(w)) => Some(Closeness::NameBegins),
        () if !wanted_code.is_empty() && code.contains(&wanted_code) => Some(Closeness::CodeContains),
        () if each(&|n, w| n.contains(w)) => Some(Closeness::NameContains),
        () if each(&is_misspelt) => Some(Closeness::Misspelt),
        () => None,
    }
}

/// Whether a word may be meant by another: it begins so, or differs by a letter that is wrong, missing, too much or swapped with its neighbour;
/// a long one by two.
fn is_misspelt(meant: &str, typed: &str) -> bool {
    let letters = typed.chars().count();
    let allowed = match letters {
        0..MIN_GUESSED_CHARS => 0,
        MIN_GUESSED_CHARS..LONG_WORD_CHARS => 1,
        _ => 2,
    };
    meant.starts_with(typed) || (allowed > 0 && strsim::damerau_levenshtein(meant, typed) <= allowed)
}

/// What answers a query, the best first; of what is as good customers and products, then the newest, then by code; at most eight of a kind.
#[must_use]
pub fn rank(query: &str, candidates: Vec<Found>) -> Vec<Found> {
    let close = |found: Found| closeness(query, &found.code, &found.name).map(|closeness| (closeness, found));
    let mut found: Vec<(Closeness, Found)> = candidates.into_iter().filter_map(close).collect();
    let order = |(closeness, f): &(Closeness, Found)| (*closeness, f.day.map(Reverse), f.kind, f.code.clone());
    found.sort_by_cached_key(order);
    let mut shown: Vec<Found> = Vec::new();
    for (_, one) in found {
        if shown.iter().filter(|s| s.kind == one.kind).count() < MAX_OF_A_KIND {
            shown.push(one);
        }
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_is_found_however_it_is_typed() {
        for typed in ["OY-0503-A", "oy-0503-a", "oy0503a", "OY 0503 A", " oy–0503/a "] {
            assert_eq!(closeness(typed, "OY-0503-A", "Oyster"), Some(Closeness::Code), "{typed}");
        }
        assert_eq!(closeness("oy05", "OY-0503-A", "Oyster"), Some(Closeness::CodeBegins));
        assert_eq!(closeness("0503", "OY-0503-A", "Oyster"), Some(Closeness::CodeContains));
        assert_eq!(closeness("0504", "OY-0503-A", "Oyster"), None);
    }

    #[test]
    fn a_name_is_found_by_the_beginnings_of_its_words_without_accents() {
        assert_eq!(closeness("cafe pl", "PLUM", "Le Café de la Place"), Some(Closeness::NameBegins));
        assert_eq!(closeness("ÉPICE", "SPICE", "L’épicerie"), Some(Closeness::NameBegins));
        assert_eq!(closeness("lace", "PLUM", "Café de la Place"), Some(Closeness::NameContains));
        assert_eq!(closeness("cafe x", "PLUM", "Café de la Place"), None);
        assert_eq!(closeness("γέφυρα", "BR", "Η Γέφυρα"), Some(Closeness::NameBegins));
    }

    #[test]
    fn a_letter_may_be_wrong_and_two_of_a_long_word() {
        for typed in ["Brocoli", "Boccoli", "Borccoli", "Broccolli"] {
            assert_eq!(closeness(typed, "X", "Broccoli Bar"), Some(Closeness::Misspelt), "{typed}");
        }
        assert_eq!(closeness("chantarele", "X", "Chanterelle"), Some(Closeness::Misspelt));
        // Two letters of a short word are another word.
        assert_eq!(closeness("bark", "X", "Born"), None);
        assert_eq!(closeness("ber", "X", "Bar"), None);
    }

    #[test]
    fn nothing_is_found_by_nothing() {
        for typed in ["", "   ", "–", "!?"] {
            assert_eq!(closeness(typed, "OY-1", "Oyster"), None, "{typed:?}");
        }
    }

    #[test]
    fn the_best_come_first_and_the_newest_of_them() {
        let one = |kind, code: &str, name: &str, day: Option<&str>| Found {
            kind,
            code: code.into(),
            name: name.into(),
            day: day.map(|d| d.parse().unwrap()),
        };
        let found = rank(
            "plum",
            vec![
                one(FoundKind::Order, "O-1", "Plum & Co", Some("2026-05-01")),
                one(FoundKind::Order, "O-2", "Plum & Co", Some("2026-05-08")),
                one(FoundKind::Customer, "PLUM", "Plum & Co", None),
                one(FoundKind::Customer, "OTHER", "Other", None),
            ],
        );
        assert_eq!(found.iter().map(|f| f.code.as_str()).collect::<Vec<_>>(), ["PLUM", "O-2", "O-1"]);
        // By a word of their name, the customer comes before what they ordered.
        let by_name = [found[1].clone(), Found { code: "X".into(), ..found[0].clone() }];
        assert_eq!(rank("plum", by_name.to_vec())[0].code, "X");
    }

    #[test]
    fn at_most_eight_of_a_kind_are_shown() {
        let many =
            (0..50).map(|n| Found { kind: FoundKind::Lot, code: format!("OY-{n}"), name: String::new(), day: None });
        assert_eq!(rank("oy", many.collect()).len(), 8);
    }
}
