//! Packs of Sensor Measurement Lists off the wire: JSON (RFC 8428, section 5) and CBOR (section 6).
//!
//! A pack that is no list is refused whole. Within a list each record is read by itself: one that cannot be read is refused by its place and
//! does not take the others with it.
//!
//! Nesting is bounded before anything recurses over a pack: the holder of a probe's token must not be able to exhaust the stack.

use std::{borrow::Cow, io};

use base64::{Engine, engine::general_purpose::URL_SAFE_NO_PAD};
use ciborium::{Value as Cbor, de::Error as CborError};
use serde_json::Value as Json;

use crate::senml::{Record, Sent, excerpt};

/// The most records of one pack.
pub const MAX_RECORDS: usize = 10_000;

/// The deepest nesting of one pack. A list of records needs two levels; the rest is for labels that are passed over.
pub const MAX_DEPTH: usize = 8;

fn bounded(records: usize) -> Result<(), String> {
    if records > MAX_RECORDS {
        return Err(format!("The pack has {records} records, {MAX_RECORDS} is the most. Send it in parts."));
    }
    Ok(())
}

fn too_deep() -> String {
    format!("The pack is nested more than {MAX_DEPTH} levels deep. A SenML pack is a list of flat records.")
}

/// Reads a JSON pack.
///
/// # Errors
/// Says why the whole cannot be read.
pub fn from_json(bytes: &[u8]) -> Result<Vec<Sent>, String> {
    let bytes = bounded_json(bytes)?;
    // The common case in one pass; anything else is read again record by record, for the sake of the reasons.
    if let Ok(records) = serde_json::from_slice::<Vec<Record>>(&bytes) {
        bounded(records.len())?;
        return Ok(records.into_iter().map(|r| Sent::Record(Box::new(r))).collect());
    }
    let list: Json = serde_json::from_slice(&bytes).map_err(|error| {
        if error.is_eof() {
            return "The pack is not JSON: it ends before it is complete.".to_owned();
        }
        format!("The pack is not JSON: line {}, column {} cannot be read.", error.line(), error.column())
    })?;
    let Json::Array(list) = list else {
        return Err("A SenML pack is a list of records, also when there is only one: [{…}].".into());
    };
    bounded(list.len())?;
    Ok(list.into_iter().map(json_record).collect())
}

/// A JSON pack whose nesting is bounded, with a bare NaN in quotes.
///
/// Boards print NaN where a probe is unplugged, which JSON has no word for. Outside a string JSON has no other word with these letters, so
/// that quoting it changes nothing else; [`Record`] reads the quoted word as a number that is none.
fn bounded_json(bytes: &[u8]) -> Result<Cow<'_, [u8]>, String> {
    let (mut depth, mut in_string, mut at) = (0_usize, false, 0);
    let mut nans = Vec::new();
    while let Some(byte) = bytes.get(at) {
        match (in_string, byte) {
            (true, b'\\') => at += 1,
            (_, b'"') => in_string = !in_string,
            (false, b'[' | b'{') => {
                depth += 1;
                if depth > MAX_DEPTH {
                    return Err(too_deep());
                }
            }
            (false, b']' | b'}') => depth = depth.saturating_sub(1),
            (false, b'N' | b'n') if bytes[at..].starts_with(b"NaN") || bytes[at..].starts_with(b"nan") => {
                nans.push(at);
                at += 2;
            }
            _ => {}
        }
        at += 1;
    }
    if nans.is_empty() {
        return Ok(Cow::Borrowed(bytes));
    }
    let mut quoted = Vec::with_capacity(bytes.len() + 2 * nans.len());
    let mut copied = 0;
    for at in nans {
        quoted.extend_from_slice(&bytes[copied..at]);
        quoted.extend_from_slice(b"\"NaN\"");
        copied = at + 3;
    }
    quoted.extend_from_slice(&bytes[copied..]);
    Ok(Cow::Owned(quoted))
}

const BASE_LABELS: [&str; 5] = ["bn", "bt", "bu", "bv", "bs"];

fn json_record(value: Json) -> Sent {
    let Json::Object(fields) = &value else {
        return Sent::Unreadable { reason: "A record is an object of labels and values: {…}.".into(), base: false };
    };
    let base = fields.keys().any(|label| BASE_LABELS.contains(&label.as_str()));
    let reason = fields.iter().find_map(|(label, value)| wrong_kind(label, value));
    match Record::deserialize_from(value) {
        Ok(record) => Sent::Record(Box::new(record)),
        Err(error) => Sent::Unreadable { reason: reason.unwrap_or(error), base },
    }
}

/// What is wrong with the value of a label, in the words of a board's programmer.
fn wrong_kind(label: &str, value: &Json) -> Option<String> {
    let must_be = match label {
        "bt" | "bv" | "bs" | "v" | "s" | "t" | "ut" if !value.is_number() => "a number, without quotes",
        "bver" if !value.is_i64() => "a whole number, without quotes",
        "bn" | "bu" | "n" | "u" | "vs" | "vd" if !value.is_string() => "a text, in quotes",
        "vb" if !value.is_boolean() => "true or false, without quotes",
        _ => return None,
    };
    if value.is_null() || (label == "v" && value.as_str() == Some("NaN")) {
        return None;
    }
    Some(format!("{label} is {must_be}, not {}.", excerpt(&value.to_string())))
}

/// Reads a CBOR pack.
///
/// # Errors
/// Says why the whole cannot be read.
pub fn from_cbor(bytes: &[u8]) -> Result<Vec<Sent>, String> {
    let mut rest = bytes;
    let list: Cbor =
        ciborium::de::from_reader_with_recursion_limit(&mut rest, MAX_DEPTH).map_err(|e| unread_cbor(&e))?;
    if !rest.is_empty() {
        return Err(format!("{} bytes follow the pack. Send one pack in a request.", rest.len()));
    }
    let Cbor::Array(list) = list else {
        return Err("A SenML pack is a list of records, also when there is only one.".into());
    };
    bounded(list.len())?;
    Ok(list.into_iter().map(cbor_record).collect())
}

fn unread_cbor(error: &CborError<io::Error>) -> String {
    match error {
        CborError::RecursionLimitExceeded => too_deep(),
        CborError::Io(_) => "The pack is not CBOR: it ends before it is complete.".into(),
        CborError::Syntax(at) => format!("The pack is not CBOR: byte {at} cannot be read."),
        CborError::Semantic(Some(at), _) => format!("The pack is not CBOR: the item at byte {at} cannot be read."),
        CborError::Semantic(None, _) => "The pack is not CBOR: an item in it cannot be read.".into(),
    }
}

fn cbor_record(value: Cbor) -> Sent {
    let Cbor::Map(fields) = value else {
        return Sent::Unreadable { reason: "A record is a map of labels and values.".into(), base: false };
    };
    let base = fields.iter().any(|(label, _)| label.as_integer().is_some_and(|n| (-6..=-2).contains(&i128::from(n))));
    let mut record = Record::default();
    for (label, value) in fields {
        if let Err(reason) = set(&mut record, &label, value) {
            return Sent::Unreadable { reason, base };
        }
    }
    Sent::Record(Box::new(record))
}

/// Sets one field by its label (RFC 8428, table 4: integers for the known ones).
fn set(record: &mut Record, label: &Cbor, value: Cbor) -> Result<(), String> {
    let name = match label {
        Cbor::Integer(n) => match i128::from(*n) {
            -1 => "bver",
            -2 => "bn",
            -3 => "bt",
            -4 => "bu",
            -5 => "bv",
            -6 => "bs",
            0 => "n",
            1 => "u",
            2 => "v",
            3 => "vs",
            4 => "vb",
            5 => "s",
            6 => "t",
            7 => "ut",
            8 => "vd",
            // A label that is not known is passed over.
            unknown => {
                record.other.insert(unknown.to_string(), Json::Null);
                return Ok(());
            }
        },
        Cbor::Text(text) => {
            record.other.insert(excerpt(text), Json::Null);
            return Ok(());
        }
        _ => return Err("A label is a number or a text.".into()),
    };
    let twice = "The same label stands twice in the record.";
    let number = |value: &Cbor| match value {
        Cbor::Float(f) => Ok(*f),
        #[expect(clippy::cast_precision_loss, reason = "a measured value")]
        Cbor::Integer(n) => Ok(i128::from(*n) as f64),
        _ => Err(format!("{name} is a number.")),
    };
    let text = |value: Cbor| value.into_text().map_err(|_| format!("{name} is a text."));
    let free = |taken: bool| if taken { Err(twice.to_owned()) } else { Ok(()) };
    match name {
        "bver" => {
            free(record.bver.is_some())?;
            let version = value.as_integer().and_then(|n| i64::try_from(i128::from(n)).ok());
            record.bver = Some(version.ok_or("bver is a whole number.")?);
        }
        "bn" | "bu" | "n" | "u" | "vs" => {
            let field = match name {
                "bn" => &mut record.bn,
                "bu" => &mut record.bu,
                "n" => &mut record.n,
                "u" => &mut record.u,
                _ => &mut record.vs,
            };
            free(field.is_some())?;
            *field = Some(text(value)?);
        }
        "vb" => {
            free(record.vb.is_some())?;
            record.vb = Some(value.as_bool().ok_or("vb is true or false.")?);
        }
        "vd" => {
            free(record.vd.is_some())?;
            let data = value.as_bytes().ok_or("vd is a string of bytes.")?;
            record.vd = Some(URL_SAFE_NO_PAD.encode(data));
        }
        _ => {
            let field = match name {
                "bt" => &mut record.bt,
                "bv" => &mut record.bv,
                "bs" => &mut record.bs,
                "v" => &mut record.v,
                "s" => &mut record.s,
                "t" => &mut record.t,
                _ => &mut record.ut,
            };
            free(field.is_some())?;
            *field = Some(number(&value)?);
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::senml::{Value, resolve};

    fn bytes(hex: &str) -> Vec<u8> {
        (0..hex.len()).step_by(2).map(|i| u8::from_str_radix(&hex[i..i + 2], 16).unwrap()).collect()
    }

    #[test]
    fn the_cbor_of_rfc_8428_section_6_is_the_json_of_section_5_1_2() {
        let dump = "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a22fb41d303a15b00106223614120050067766f6c7461676501615602fb405e066666666666a3006763757272656e74062402fb3ff3333333333333a3006763757272656e74062302fb3ff4cccccccccccda3006763757272656e74062202fb3ff6666666666666a3006763757272656e74062102f93e00a3006763757272656e74062002fb3ff999999999999aa3006763757272656e74060002fb3ffb333333333333";
        let json = br#"[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
            {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
            {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","t":0,"v":1.7}]"#;
        let now = chrono::DateTime::from_timestamp(1_800_000_000, 0).unwrap();
        let (from_cbor, bad) = resolve(&from_cbor(&bytes(dump)).unwrap(), now);
        let (from_json, _) = resolve(&from_json(json).unwrap(), now);
        assert_eq!((from_cbor, bad.len()), (from_json, 0));
    }

    #[test]
    fn each_bad_record_is_told_by_its_place_and_reason() {
        let json = br#"[{"n":"a","u":"Cel","v":1},{"n":"a","v":"warm"},7,{"n":5,"v":1},{"n":"a","u":"Cel","v":2}]"#;
        let sent = from_json(json).unwrap();
        let (good, bad) = resolve(&sent, chrono::DateTime::UNIX_EPOCH);
        assert_eq!(good.iter().map(|g| g.index).collect::<Vec<_>>(), [0, 4]);
        assert_eq!(bad.iter().map(|b| b.index).collect::<Vec<_>>(), [1, 2, 3]);
        assert!(bad.iter().all(|b| b.reason.len() > 15), "{bad:?}");
        for (whole, word) in [(&b"{}"[..], "list"), (b"nonsense", "not JSON"), (b"[1", "not JSON")] {
            assert!(from_json(whole).unwrap_err().contains(word));
        }
    }

    #[test]
    fn nesting_is_bounded_whatever_the_pack_is_written_in() {
        let record = |x: &str| format!(r#"[{{"v":NaN,"n":"p1","x":{x}}}]"#).into_bytes();
        let lists = |depth: usize| "[".repeat(depth) + &"]".repeat(depth);
        assert!(from_json(&record(&lists(MAX_DEPTH - 2))).is_ok());
        // What hides in a string is no nesting, and a string hides nothing that comes after it.
        assert!(from_json(&record(&format!("\"{}\"", "[".repeat(500)))).is_ok());
        // Quotes that are not JSON's end at the parser, which does not recurse over what it cannot read.
        assert!(from_json(&record(&format!("'\"',{}", lists(20_000)))).is_err());
        for deep in [lists(MAX_DEPTH - 1), format!(r#"["\"",{}]"#, lists(20_000))] {
            assert!(from_json(&record(&deep)).unwrap_err().contains("nested"), "{}", excerpt(&deep));
        }
        assert!(from_json(&vec![b'['; 100_000]).unwrap_err().contains("nested"));
        // {99: [[…]]} in a record.
        let cbor = |depth: usize| [&[0x81, 0xa1, 0x18, 0x63][..], &vec![0x81; depth], &[0x01]].concat();
        assert!(from_cbor(&cbor(2)).is_ok());
        for depth in [MAX_DEPTH, 20_000] {
            assert!(from_cbor(&cbor(depth)).unwrap_err().contains("nested"), "{depth}");
        }
    }

    #[test]
    fn a_bare_nan_is_a_number_that_is_none_and_takes_nothing_with_it() {
        let json =
            br#"[{"n":"NaN","u":"Cel","v":NaN},{"n":"a","v":"warm"},{"n":"b","vs":"a \"NaN\""},{"n":"c","v":nan}]"#;
        let (good, bad) = resolve(&from_json(json).unwrap(), chrono::DateTime::UNIX_EPOCH);
        let nan = |value: &Value| matches!(value, Value::Number(c) if c.is_nan());
        assert!(nan(&good[0].value) && good[0].name == "NaN" && nan(&good[2].value), "{good:?}");
        assert_eq!((&good[1].value, bad[0].index), (&Value::Text("a \"NaN\"".into()), 1));
    }

    #[test]
    fn a_record_that_cannot_be_read_names_its_label_and_what_it_must_be() {
        let json = br#"[{"n":"a","v":"3.1"},{"n":7,"v":1},{"n":"a","t":true,"v":1},{"n":"a","vb":"yes"},{"n":"a","v":1,"bver":1.5}]"#;
        let reasons: Vec<String> = from_json(json)
            .unwrap()
            .into_iter()
            .map(|sent| if let Sent::Unreadable { reason, .. } = sent { reason } else { String::new() })
            .collect();
        let words = [
            "v is a number, without quotes, not \"3.1\".",
            "n is a text",
            "t is a number",
            "vb is true or false",
            "bver is a whole",
        ];
        for (reason, words) in reasons.iter().zip(words) {
            assert!(reason.starts_with(words), "{reason}");
        }
        for error in [from_json(b"[{").unwrap_err(), from_cbor(&[0x82, 0x01]).unwrap_err()] {
            assert!(error.ends_with("it ends before it is complete."), "{error}");
        }
    }

    #[test]
    fn after_a_base_that_cannot_be_read_nothing_is_guessed() {
        let json = br#"[{"bn":"p1","bt":"yesterday","u":"Cel","v":1},{"t":60,"v":2},{"bn":"p2","bt":1800000000,"u":"Cel","v":3}]"#;
        let (good, bad) = resolve(&from_json(json).unwrap(), chrono::DateTime::UNIX_EPOCH);
        assert_eq!((good.len(), bad.len()), (0, 3));
        assert!(bad[1].reason.contains("record 0"), "{bad:?}");
    }

    #[test]
    fn cbor_of_the_wrong_kind_is_told() {
        for (dump, word) in [("a0", "list"), ("ff", "not CBOR"), ("8000", "follow"), ("", "not CBOR")] {
            let error = from_cbor(&bytes(dump)).unwrap_err();
            assert!(error.contains(word), "{dump}: {error}");
        }
        // [5], [{2: "x"}], [{0: "a", 0: "b"}], [{[]: 1}]
        for dump in ["8105", "81a1026178", "81a20061610061 62", "81a18001"] {
            let sent = from_cbor(&bytes(&dump.replace(' ', ""))).unwrap();
            assert!(matches!(&sent[0], Sent::Unreadable { reason, .. } if reason.len() > 10), "{dump}: {sent:?}");
        }
        // A list that claims four thousand million records costs no memory for them.
        assert!(from_cbor(&bytes("9affffffff")).is_err());
    }

    proptest! {
        #[test]
        fn anything_at_all_is_read_or_refused(noise in prop::collection::vec(any::<u8>(), 0..400)) {
            let now = chrono::DateTime::UNIX_EPOCH;
            for sent in [from_json(&noise), from_cbor(&noise)].into_iter().flatten() {
                let (good, bad) = resolve(&sent, now);
                prop_assert!(good.len() + bad.len() <= sent.len());
            }
        }
    }
}
