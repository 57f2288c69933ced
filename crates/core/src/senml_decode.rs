//! Packs of Sensor Measurement Lists off the wire: JSON (RFC 8428, section 5) and CBOR (section 6).
//!
//! A pack that is no list is refused whole. Within a list each record is read by itself: one that cannot be read is told by its place and
//! does not take the others with it.

use base64::{Engine, engine::general_purpose::URL_SAFE_NO_PAD};
use ciborium::Value as Cbor;
use serde_json::Value as Json;

use crate::senml::{Record, Sent};

/// The most records of one pack.
pub const MOST_RECORDS: usize = 10_000;

fn bounded(records: usize) -> Result<(), String> {
    if records > MOST_RECORDS {
        return Err(format!("The pack has {records} records, {MOST_RECORDS} is the most. Send it in parts."));
    }
    Ok(())
}

/// Reads a JSON pack.
///
/// # Errors
/// Says why the whole cannot be read.
pub fn from_json(bytes: &[u8]) -> Result<Vec<Sent>, String> {
    // The common case in one pass; anything else is read again record by record, for the sake of the reasons.
    if let Ok(records) = serde_json::from_slice::<Vec<Record>>(bytes) {
        bounded(records.len())?;
        return Ok(records.into_iter().map(|r| Sent::Record(Box::new(r))).collect());
    }
    let list: Json = match serde_json::from_slice(bytes) {
        Ok(list) => list,
        Err(error) => return with_nan(bytes).ok_or_else(|| format!("The pack is not JSON: {error}."))?,
    };
    let Json::Array(list) = list else {
        return Err("A SenML pack is a list of records, also when there is only one: [{…}].".into());
    };
    bounded(list.len())?;
    Ok(list.into_iter().map(json_record).collect())
}

/// Boards print NaN where a probe is unplugged, which JSON has no word for. JSON5 has; such a record is kept as a fault.
fn with_nan(bytes: &[u8]) -> Option<Result<Vec<Sent>, String>> {
    let text = std::str::from_utf8(bytes).ok().filter(|text| text.contains("NaN"))?;
    let records: Vec<Record> = json5::from_str(text).ok()?;
    Some(bounded(records.len()).map(|()| records.into_iter().map(|r| Sent::Record(Box::new(r))).collect()))
}

fn json_record(value: Json) -> Sent {
    let Json::Object(fields) = &value else {
        return Sent::Unreadable { reason: "A record is an object of labels and values: {…}.".into(), base: false };
    };
    let base = fields.keys().any(|label| ["bn", "bt", "bu", "bv", "bs"].contains(&label.as_str()));
    match Record::deserialize_from(value) {
        Ok(record) => Sent::Record(Box::new(record)),
        Err(reason) => Sent::Unreadable { reason, base },
    }
}

/// Reads a CBOR pack.
///
/// # Errors
/// Says why the whole cannot be read.
pub fn from_cbor(bytes: &[u8]) -> Result<Vec<Sent>, String> {
    let mut rest = bytes;
    let list: Cbor = ciborium::from_reader(&mut rest).map_err(|error| format!("The pack is not CBOR: {error}."))?;
    if !rest.is_empty() {
        return Err(format!("{} bytes follow the pack. Send one pack in a request.", rest.len()));
    }
    let Cbor::Array(list) = list else {
        return Err("A SenML pack is a list of records, also when there is only one.".into());
    };
    bounded(list.len())?;
    Ok(list.into_iter().map(cbor_record).collect())
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
            _ => return Ok(()),
        },
        Cbor::Text(text) => {
            record.other.insert(text.clone(), Json::Null);
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
    use crate::senml::resolve;

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
