//! Searching: which thing on the farm somebody means by a few letters of its code or name, however they were typed.

use std::cmp::Reverse;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use unicode_normalization::{UnicodeNormalization, char::is_combining_mark};
use utoipa::ToSchema;

use crate::kinds::{HitKind, OrderStatus};

/// The most letters that are searched for.
pub const MAX_QUERY_CHARS: usize = 100;

/// The most things of a kind that are shown.
pub const MAX_OF_A_KIND: usize = 8;

/// The most letters of a name that are looked at. Taken apart, one letter of some scripts becomes a dozen.
const MAX_NAME_CHARS: usize = 400;

/// Words shorter than this are not guessed at: too many others are a letter away.
const MIN_GUESSED_CHARS: usize = 4;

/// Words from this length on may have a second letter wrong.
const LONG_WORD_CHARS: usize = 8;

/// Longer words are not guessed at: nobody types one by heart, and each is held against every name of the farm.
const MAX_GUESSED_CHARS: usize = 30;

/// Words that say what is searched for or only join others. They are left out where there are others.
const JOINING: [&str; 8] = ["lot", "batch", "order", "docket", "customer", "product", "and", "the"];

/// Something on the farm that a query means.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Hit {
    /// What it is.
    pub kind: HitKind,
    /// Its code.
    pub code: String,
    /// Its name; of a lot or batch that of its strain, of an order or docket that of its customer.
    pub name: String,
    /// The day of its harvest, making or delivery; none of a customer or product.
    pub day: Option<NaiveDate>,
    /// Where it stands, of an order.
    pub status: Option<OrderStatus>,
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
    /// Its name has that in it, with or without what stands between its words.
    NameContains,
    /// Its name has words that differ by a letter or two, or its code has that in it when 0 and O, 1, I and L are taken for each other.
    Misspelt,
}

/// What somebody typed, as it is searched for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Query {
    words: Vec<String>,
    code: String,
}

impl Query {
    /// Takes a query apart. Beyond [`MAX_QUERY_CHARS`] nothing of it counts.
    #[must_use]
    pub fn new(typed: &str) -> Self {
        let mut words = words(typed, MAX_QUERY_CHARS);
        let joins = |word: &String| JOINING.contains(&word.as_str());
        if !words.iter().all(joins) {
            words.retain(|word| !joins(word));
        }
        Self { code: code_of(&words), words }
    }

    /// Whether nothing can be found by it.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.words.is_empty()
    }

    /// Its letters as they may stand in a code, capital and with nothing between them. Empty where it has one that stands in none.
    #[must_use]
    pub fn code(&self) -> &str {
        &self.code
    }

    /// The same with the letters and digits made alike that are taken for each other, as [`alike`] does.
    #[must_use]
    pub fn code_alike(&self) -> String {
        alike(&self.code)
    }

    /// How well a code and a name answer; `None` where they do not.
    #[must_use]
    pub fn closeness(&self, code: &str, name: &str) -> Option<Closeness> {
        if self.words.is_empty() {
            return None;
        }
        let code = code_of(&words(code, MAX_QUERY_CHARS));
        let named = words(name, MAX_NAME_CHARS);
        let each = |holds: &dyn Fn(&str, &str) -> bool| self.words.iter().all(|w| named.iter().any(|n| holds(n, w)));
        let has_code = !self.code.is_empty();
        let begins = has_code && code.starts_with(&self.code);
        let is_in_name = || each(&|n, w| n.contains(w)) || named.concat().contains(&self.words.concat());
        match () {
            () if begins && code == self.code => Some(Closeness::Code),
            () if begins => Some(Closeness::CodeBegins),
            () if each(&|n, w| n.starts_with(w)) => Some(Closeness::NameBegins),
            () if has_code && code.contains(&self.code) => Some(Closeness::CodeContains),
            () if is_in_name() => Some(Closeness::NameContains),
            () if has_code && alike(&code).contains(&self.code_alike()) => Some(Closeness::Misspelt),
            () if each(&is_misspelt) => Some(Closeness::Misspelt),
            () => None,
        }
    }
}

/// The first letters of a text without case, accents and marks, in words.
fn words(text: &str, max_chars: usize) -> Vec<String> {
    let plain = text.nfkd().filter(|c| !is_combining_mark(*c)).flat_map(char::to_lowercase);
    let plain: String = plain.take(max_chars).collect();
    plain.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).map(str::to_owned).collect()
}

/// Words as one code; empty where a letter stands in none.
fn code_of(words: &[String]) -> String {
    let code = words.concat().to_uppercase();
    if code.is_ascii() { code } else { String::new() }
}

/// A code in which what looks alike on a label is alike: O is 0, I and L are 1.
fn alike(code: &str) -> String {
    let same = |c| match c {
        'O' => '0',
        'I' | 'L' => '1',
        c => c,
    };
    code.chars().map(same).collect()
}

/// Whether a word may be meant by another: it begins so, or differs by a letter that is wrong, missing, too much or swapped with its neighbour;
/// a long one by two.
fn is_misspelt(meant: &str, typed: &str) -> bool {
    let (letters, of_meant) = (typed.chars().count(), meant.chars().count());
    let allowed = match letters {
        MIN_GUESSED_CHARS..LONG_WORD_CHARS => 1,
        LONG_WORD_CHARS..=MAX_GUESSED_CHARS => 2,
        _ => 0,
    };
    let may_be = allowed > 0 && letters.abs_diff(of_meant) <= allowed;
    meant.starts_with(typed) || (may_be && strsim::damerau_levenshtein(meant, typed) <= allowed)
}

/// What answers a query, with how well: the best first; of what is as good customers and products, then the newest, then by code; at most eight
/// of a kind.
#[must_use]
pub fn rank(query: &Query, candidates: Vec<Hit>) -> Vec<(Closeness, Hit)> {
    let close = |hit: Hit| query.closeness(&hit.code, &hit.name).map(|closeness| (closeness, hit));
    let mut hits: Vec<(Closeness, Hit)> = candidates.into_iter().filter_map(close).collect();
    hits.sort_by_cached_key(|(closeness, hit)| (*closeness, hit.day.map(Reverse), hit.kind, hit.code.clone()));
    let mut shown: Vec<(Closeness, Hit)> = Vec::new();
    for (closeness, hit) in hits {
        if shown.iter().filter(|(_, s)| s.kind == hit.kind).count() < MAX_OF_A_KIND {
            shown.push((closeness, hit));
        }
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    fn closeness(typed: &str, code: &str, name: &str) -> Option<Closeness> {
        Query::new(typed).closeness(code, name)
    }

    #[test]
    fn a_code_is_found_however_it_is_typed() {
        for typed in ["OY-0503-A", "oy-0503-a", "oy0503a", "OY 0503 A", " oy–0503/a ", "lot OY-0503-A"] {
            assert_eq!(closeness(typed, "OY-0503-A", "Oyster"), Some(Closeness::Code), "{typed}");
        }
        assert_eq!(closeness("oy05", "OY-0503-A", "Oyster"), Some(Closeness::CodeBegins));
        assert_eq!(closeness("0503", "OY-0503-A", "Oyster"), Some(Closeness::CodeContains));
        assert_eq!(closeness("0504", "OY-0503-A", "Oyster"), None);
        // Read off a smudged label.
        for typed in ["0Y-0503-A", "OY-O5O3-A", "OYO5"] {
            assert_eq!(closeness(typed, "OY-0503-A", "Oyster"), Some(Closeness::Misspelt), "{typed}");
        }
        assert_eq!(closeness("l-l", "I-1", ""), Some(Closeness::Misspelt));
    }

    #[test]
    fn a_name_is_found_by_the_beginnings_of_its_words_without_accents() {
        assert_eq!(closeness("cafe pl", "PLUM", "Le Café de la Place"), Some(Closeness::NameBegins));
        assert_eq!(closeness("ÉPICE", "SPICE", "L’épicerie"), Some(Closeness::NameBegins));
        assert_eq!(closeness("lace", "PLUM", "Café de la Place"), Some(Closeness::NameContains));
        assert_eq!(closeness("delaplace", "PLUM", "Café de la Place"), Some(Closeness::NameContains));
        assert_eq!(closeness("cafe and place", "PLUM", "Café & Place"), Some(Closeness::NameBegins));
        assert_eq!(closeness("cafe x", "PLUM", "Café de la Place"), None);
        assert_eq!(closeness("γέφυρα", "BR", "Η Γέφυρα"), Some(Closeness::NameBegins));
    }

    #[test]
    fn letters_that_stand_in_no_code_are_not_left_out_of_one() {
        for typed in ["日O-80", "ωO-80", "γέφυρα 80"] {
            assert_eq!(closeness(typed, "O-80", "Plum"), None, "{typed}");
        }
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
    fn words_that_only_join_are_searched_for_where_there_are_no_others() {
        assert_eq!(closeness("order", "X", "Order of the Boot"), Some(Closeness::NameBegins));
        assert_eq!(closeness("order 74", "O-74", ""), Some(Closeness::CodeContains));
    }

    #[test]
    fn nothing_is_found_by_nothing() {
        for typed in ["", "   ", "–", "!?"] {
            assert_eq!(closeness(typed, "OY-1", "Oyster"), None, "{typed:?}");
        }
    }

    #[test]
    fn what_is_long_is_bounded_before_it_is_compared() {
        let query = Query::new(&"㌖".repeat(1000));
        assert_eq!(query.words.concat().chars().count(), MAX_QUERY_CHARS);
        assert!(!is_misspelt(&"x".repeat(40), &"x".repeat(39).replace('x', "y")), "no guess at so long a word");
        assert_eq!(words(&"㌖".repeat(1000), MAX_NAME_CHARS).concat().chars().count(), MAX_NAME_CHARS);
    }

    fn hit(kind: HitKind, code: &str, name: &str, day: Option<&str>) -> Hit {
        Hit { kind, code: code.into(), name: name.into(), day: day.map(|d| d.parse().unwrap()), status: None }
    }

    fn codes(typed: &str, candidates: &[Hit]) -> Vec<String> {
        rank(&Query::new(typed), candidates.to_vec()).into_iter().map(|(_, hit)| hit.code).collect()
    }

    #[test]
    fn the_best_come_first_and_the_newest_of_them() {
        let all = [
            hit(HitKind::Order, "O-1", "Plum & Co", Some("2026-05-01")),
            hit(HitKind::Order, "O-2", "Plum & Co", Some("2026-05-08")),
            hit(HitKind::Customer, "PLUM", "Plum & Co", None),
            hit(HitKind::Customer, "OTHER", "Other", None),
        ];
        assert_eq!(codes("plum", &all), ["PLUM", "O-2", "O-1"]);
        // By a word of their name, the customer comes before what they ordered.
        assert_eq!(codes("co", &all), ["PLUM", "O-2", "O-1"]);
    }

    #[test]
    fn at_most_eight_of_a_kind_are_shown() {
        let many: Vec<Hit> = (0..50).map(|n| hit(HitKind::Lot, &format!("OY-{n}"), "", None)).collect();
        assert_eq!(codes("oy", &many).len(), 8);
    }
}
