//! Sensor Measurement Lists: RFC 8428, its JSON form, resolved by the RFC's rules.
//!
//! A pack is decoded by `serde_json`; what stands here is the resolution (section 4.6): base fields persist until they are
//! given again, names and times are joined, values are added to base values, a time below 2^28 is relative to now, a label
//! that ends in `_` must be understood or refused, and a version above 10 is refused.

pub mod decode;

use std::{borrow::Cow, collections::BTreeMap, fmt};

use chrono::{DateTime, TimeDelta, Utc};
use serde::{
    Deserialize, Deserializer, Serialize,
    de::{Error, MapAccess, Visitor},
};

/// The version that is spoken here (section 4.4).
pub const VERSION: i64 = 10;
/// Times below this are relative to now (section 4.5.3).
const ABSOLUTE_FROM: f64 = 268_435_456.0;
/// The longest name, base name and name joined. Bounded before they are joined: one base name stands for every record of a pack.
pub const MAX_NAME_CHARS: usize = 100;
/// The longest unit.
pub const MAX_UNIT_CHARS: usize = 20;
/// The longest that a reason shows of what was sent.
const MAX_EXCERPT_CHARS: usize = 40;

/// The beginning of a text that somebody sent, short enough to be shown in every answer.
#[must_use]
pub fn excerpt(text: &str) -> String {
    let mut chars = text.chars();
    let mut shown: String = chars.by_ref().take(MAX_EXCERPT_CHARS).collect();
    if chars.next().is_some() {
        shown.push('…');
    }
    shown
}

/// One record as sent.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
#[expect(missing_docs, reason = "the labels of RFC 8428, table 1")]
pub struct Record {
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bn: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bt: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bu: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bv: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bs: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bver: Option<i64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub n: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub u: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub v: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vs: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vb: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vd: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub s: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub t: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ut: Option<f64>,
    /// Labels that are not known here.
    #[serde(flatten)]
    pub other: BTreeMap<String, serde_json::Value>,
}

impl<'de> Deserialize<'de> for Record {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_map(RecordVisitor)
    }
}

/// Reads a record label by label. Written out because `flatten` would hold every record back in memory before it reads it.
struct RecordVisitor;

impl<'de> Visitor<'de> for RecordVisitor {
    type Value = Record;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a record: an object of labels and values")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Record, A::Error> {
        let mut record = Record::default();
        while let Some(label) = map.next_key::<Label<'de>>()? {
            let map = &mut map;
            match &*label.0 {
                "bn" => once(&mut record.bn, "bn", map)?,
                "bt" => once(&mut record.bt, "bt", map)?,
                "bu" => once(&mut record.bu, "bu", map)?,
                "bv" => once(&mut record.bv, "bv", map)?,
                "bs" => once(&mut record.bs, "bs", map)?,
                "bver" => once(&mut record.bver, "bver", map)?,
                "n" => once(&mut record.n, "n", map)?,
                "u" => once(&mut record.u, "u", map)?,
                "v" => {
                    let mut v: Option<Number> = None;
                    once(&mut v, "v", map)?;
                    if record.v.is_some() {
                        return Err(A::Error::duplicate_field("v"));
                    }
                    record.v = v.map(|v| v.0);
                }
                "vs" => once(&mut record.vs, "vs", map)?,
                "vb" => once(&mut record.vb, "vb", map)?,
                "vd" => once(&mut record.vd, "vd", map)?,
                "s" => once(&mut record.s, "s", map)?,
                "t" => once(&mut record.t, "t", map)?,
                "ut" => once(&mut record.ut, "ut", map)?,
                _ => drop(record.other.insert(label.0.into_owned(), map.next_value()?)),
            }
        }
        Ok(record)
    }
}

/// A label, borrowed where the pack lets it be.
#[derive(Deserialize)]
struct Label<'a>(#[serde(borrow)] Cow<'a, str>);

/// A number, or the word NaN in quotes: what a board prints where its probe is unplugged.
struct Number(f64);

impl<'de> Deserialize<'de> for Number {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(NumberVisitor)
    }
}

struct NumberVisitor;

impl Visitor<'_> for NumberVisitor {
    type Value = Number;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a number")
    }

    fn visit_f64<E: Error>(self, v: f64) -> Result<Number, E> {
        Ok(Number(v))
    }

    #[expect(clippy::cast_precision_loss, reason = "a measured value")]
    fn visit_i64<E: Error>(self, v: i64) -> Result<Number, E> {
        Ok(Number(v as f64))
    }

    #[expect(clippy::cast_precision_loss, reason = "a measured value")]
    fn visit_u64<E: Error>(self, v: u64) -> Result<Number, E> {
        Ok(Number(v as f64))
    }

    fn visit_str<E: Error>(self, v: &str) -> Result<Number, E> {
        if v == "NaN" { Ok(Number(f64::NAN)) } else { Err(E::custom("a number is written without quotes")) }
    }
}

fn once<'de, T: Deserialize<'de>, A: MapAccess<'de>>(
    field: &mut Option<T>,
    label: &'static str,
    map: &mut A,
) -> Result<(), A::Error> {
    if field.is_some() {
        return Err(A::Error::duplicate_field(label));
    }
    // As everywhere in JSON, null says that there is nothing.
    *field = map.next_value()?;
    Ok(())
}

impl Record {
    /// Reads a record from JSON.
    ///
    /// # Errors
    /// Says which label is not what it must be.
    pub fn deserialize_from(value: serde_json::Value) -> Result<Self, String> {
        serde_path_to_error::deserialize(value).map_err(|error| {
            let label = error.path().to_string();
            let detail = excerpt(&error.inner().to_string());
            if label == "." || label == "?" { format!("{detail}.") } else { format!("{label}: {detail}.") }
        })
    }
}

impl Record {
    /// Whether it only gives base fields for the records after it (section 5.1.7), and so is no reading.
    fn is_base_only(&self) -> bool {
        let gives_base = self.bn.is_some()
            || self.bt.is_some()
            || self.bu.is_some()
            || self.bv.is_some()
            || self.bs.is_some()
            || self.bver.is_some();
        let gives_own =
            self.n.is_some() || self.u.is_some() || self.t.is_some() || self.ut.is_some() || !self.other.is_empty();
        gives_base && !gives_own
    }

    /// What to tell of a record that holds no value, with the labels that nothing is known by.
    fn without_value(&self) -> String {
        let unknown: Vec<String> = self.other.keys().take(3).map(|label| excerpt(label)).collect();
        let unknown =
            if unknown.is_empty() { String::new() } else { format!(" Not labels of SenML: {}.", unknown.join(", ")) };
        format!("The record has no value. Send the name as n and exactly one of v, vs, vb, vd.{unknown}")
    }
}

/// A record as it came off the wire.
#[derive(Debug, Clone, PartialEq)]
pub enum Sent {
    /// One that could be read.
    Record(Box<Record>),
    /// One that could not.
    Unreadable {
        /// Why, and what to do.
        reason: String,
        /// Whether it gave base fields, which the records after it would rest on.
        base: bool,
    },
}

/// A value of one of the four kinds.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// `v`, with the base value added.
    Number(f64),
    /// `vs`.
    Text(String),
    /// `vb`.
    Truth(bool),
    /// `vd`, still in base64url.
    Data(String),
    /// Only a sum was sent.
    None,
}

/// One record, resolved.
#[derive(Debug, Clone, PartialEq)]
pub struct Resolved {
    /// Its place in the pack, from 0.
    pub index: usize,
    /// Full name.
    pub name: String,
    /// Unit, if any.
    pub unit: Option<String>,
    /// Value.
    pub value: Value,
    /// Sum, with the base sum added.
    pub sum: Option<f64>,
    /// When, cut to milliseconds.
    pub at: DateTime<Utc>,
    /// Whether the time was missing or relative to now.
    pub relative: bool,
}

/// One record that was refused, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refused {
    /// Its place in the pack, from 0.
    pub index: usize,
    /// What is wrong and what to do.
    pub reason: String,
}

/// Resolves a pack. Records are judged one by one: a bad one does not take the others with it, except for a version that
/// is not spoken, which refuses them all.
#[must_use]
pub fn resolve(pack: &[Sent], now: DateTime<Utc>) -> (Vec<Resolved>, Vec<Refused>) {
    let versions = || pack.iter().filter_map(|s| if let Sent::Record(r) = s { r.bver } else { None });
    let version = versions().next().unwrap_or(VERSION);
    let mixed = versions().any(|v| v != version);
    if !(1..=VERSION).contains(&version) || mixed {
        let reason = if mixed {
            "The pack mixes versions (bver). Send one version in a pack.".to_owned()
        } else {
            format!("Version {version} (bver) is not spoken here. Send version {VERSION} or leave bver out.")
        };
        return (Vec::new(), (0..pack.len()).map(|index| Refused { index, reason: reason.clone() }).collect());
    }
    let (mut good, mut bad) = (Vec::new(), Vec::new());
    let mut base = Record::default();
    let mut lost_at = None;
    for (index, sent) in pack.iter().enumerate() {
        let record = match sent {
            Sent::Record(record) => record,
            Sent::Unreadable { reason, base } => {
                lost_at = lost_at.or(base.then_some(index));
                bad.push(Refused { index, reason: reason.clone() });
                continue;
            }
        };
        if let Some(lost) = lost_at {
            let reason = format!(
                "The base of record {lost} could not be read, and this one may rest on it. Mend that one and send both again."
            );
            bad.push(Refused { index, reason });
            continue;
        }
        base.bn = record.bn.clone().or(base.bn);
        base.bt = record.bt.or(base.bt);
        base.bu = record.bu.clone().or(base.bu);
        base.bv = record.bv.or(base.bv);
        base.bs = record.bs.or(base.bs);
        match resolve_one(index, record, &base, now) {
            Ok(Some(resolved)) => good.push(resolved),
            Ok(None) => {}
            Err(reason) => bad.push(Refused { index, reason }),
        }
    }
    // The resolved form is in time order (section 4.6); records of one instant keep their order.
    good.sort_by_key(|r| r.at);
    (good, bad)
}

fn resolve_one(index: usize, record: &Record, base: &Record, now: DateTime<Utc>) -> Result<Option<Resolved>, String> {
    if let Some(label) = record.other.keys().find(|l| l.ends_with('_')) {
        let label = excerpt(label);
        return Err(format!("The label {label} must be understood and is not known here. Leave it out."));
    }
    let values = [record.v.is_some(), record.vs.is_some(), record.vb.is_some(), record.vd.is_some()];
    let count = values.iter().filter(|v| **v).count();
    let sum = match (record.s, base.bs) {
        (None, None) => None,
        (s, bs) => Some(s.unwrap_or(0.0) + bs.unwrap_or(0.0)),
    };
    if count == 0 && sum.is_none() {
        return if record.is_base_only() { Ok(None) } else { Err(record.without_value()) };
    }
    if count > 1 {
        return Err("The record has several values. Send exactly one of v, vs, vb, vd.".into());
    }
    let (base_name, own_name) = (base.bn.as_deref().unwrap_or(""), record.n.as_deref().unwrap_or(""));
    if base_name.len() + own_name.len() > MAX_NAME_CHARS {
        return Err(format!(
            "The name (bn and n joined) has at most {MAX_NAME_CHARS} characters. Use the probe's name."
        ));
    }
    let name = format!("{base_name}{own_name}");
    check_name(&name)?;
    let unit = record.u.as_deref().or(base.bu.as_deref());
    if unit.is_some_and(|u| u.len() > MAX_UNIT_CHARS) {
        return Err(format!(
            "The unit (u or bu) has at most {MAX_UNIT_CHARS} characters. Send Cel for degrees Celsius."
        ));
    }
    let seconds = base.bt.unwrap_or(0.0) + record.t.unwrap_or(0.0);
    if !seconds.is_finite() {
        return Err("The time is not a number.".into());
    }
    let relative = seconds < ABSOLUTE_FROM;
    let at = instant(seconds, relative, now).ok_or("The time is out of range.")?;
    let value = match record {
        Record { v: Some(v), .. } => Value::Number(v + base.bv.unwrap_or(0.0)),
        Record { vs: Some(s), .. } => Value::Text(s.clone()),
        Record { vb: Some(b), .. } => Value::Truth(*b),
        Record { vd: Some(d), .. } => Value::Data(d.clone()),
        _ => Value::None,
    };
    Ok(Some(Resolved { index, name, unit: unit.map(str::to_owned), value, sum, at, relative }))
}

/// Section 4.5.1: letters, digits and `- : . / _`, beginning with a letter or digit.
fn check_name(name: &str) -> Result<(), String> {
    let shaped = name.bytes().all(|b| b.is_ascii_alphanumeric() || b"-:./_".contains(&b))
        && name.bytes().next().is_some_and(|b| b.is_ascii_alphanumeric());
    if shaped {
        Ok(())
    } else {
        Err("The name (bn and n joined) has letters, digits and - : . / _ and begins with a letter or digit.".into())
    }
}

#[expect(clippy::cast_possible_truncation, reason = "the range is checked first")]
fn instant(seconds: f64, relative: bool, now: DateTime<Utc>) -> Option<DateTime<Utc>> {
    let ms = (seconds * 1000.0).round();
    if !(-1e14..1e14).contains(&ms) {
        return None;
    }
    if relative {
        DateTime::from_timestamp_millis(now.timestamp_millis())?
            .checked_add_signed(TimeDelta::try_milliseconds(ms as i64)?)
    } else {
        DateTime::from_timestamp_millis(ms as i64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn now() -> DateTime<Utc> {
        DateTime::from_timestamp(1_800_000_000, 0).unwrap()
    }

    fn read(json: &str) -> (Vec<Resolved>, Vec<Refused>) {
        resolve(&crate::senml::decode::from_json(json.as_bytes()).unwrap(), now())
    }

    #[test]
    fn rfc_8428_section_5_1_3_resolves_to_section_5_1_4() {
        let (good, bad) = read(
            r#"[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},{"u":"lon","v":24.30621},{"u":"lat","v":60.07965},
            {"t":60,"v":20.3},{"u":"lon","t":60,"v":24.30622},{"u":"lat","t":60,"v":60.07965},
            {"t":120,"v":20.7},{"u":"lon","t":120,"v":24.30623},{"u":"lat","t":120,"v":60.07966},
            {"u":"%EL","t":150,"v":98},
            {"t":180,"v":21.2},{"u":"lon","t":180,"v":24.30628},{"u":"lat","t":180,"v":60.07967}]"#,
        );
        assert!(bad.is_empty());
        let printed = [
            (1_320_067_464, "%RH", 20.0),
            (1_320_067_464, "lon", 24.30621),
            (1_320_067_464, "lat", 60.07965),
            (1_320_067_524, "%RH", 20.3),
            (1_320_067_524, "lon", 24.30622),
            (1_320_067_524, "lat", 60.07965),
            (1_320_067_584, "%RH", 20.7),
            (1_320_067_584, "lon", 24.30623),
            (1_320_067_584, "lat", 60.07966),
            (1_320_067_614, "%EL", 98.0),
            (1_320_067_644, "%RH", 21.2),
            (1_320_067_644, "lon", 24.30628),
            (1_320_067_644, "lat", 60.07967),
        ];
        assert_eq!(good.len(), printed.len());
        for (got, (at, unit, value)) in good.iter().zip(printed) {
            assert_eq!(got.name, "urn:dev:ow:10e2073a01080063");
            assert_eq!((got.at.timestamp(), got.unit.as_deref(), &got.value), (at, Some(unit), &Value::Number(value)));
        }
    }

    #[test]
    fn rfc_8428_section_5_1_2_base_name_time_and_negative_times() {
        let (good, _) = read(
            r#"[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
            {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
            {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]"#,
        );
        assert_eq!(good[0].at.to_rfc3339(), "2010-06-08T18:01:11.001+00:00");
        assert_eq!((good[0].name.as_str(), good[0].unit.as_deref()), ("urn:dev:ow:10e2073a0108006:current", Some("A")));
        let values: Vec<_> = good.iter().map(|r| r.value.clone()).collect();
        assert_eq!(values, [1.2, 1.3, 1.4, 1.5, 1.6, 120.1, 1.7].map(Value::Number));
        assert_eq!(good[5].name, "urn:dev:ow:10e2073a0108006:voltage");
    }

    #[test]
    fn rfc_8428_section_5_1_5_kinds_of_value_and_5_1_7_a_record_of_base_fields_only() {
        let (good, _) = read(
            r#"[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},{"n":"label","vs":"Machine Room"},
            {"n":"open","vb":false},{"n":"nfv-reader","vd":"aGkgCg"}]"#,
        );
        assert_eq!(good[1].value, Value::Text("Machine Room".into()));
        assert_eq!((&good[2].value, &good[3].value), (&Value::Truth(false), &Value::Data("aGkgCg".into())));
        let (good, bad) = read(
            r#"[{"bn":"urn:dev:ow:10e2073a01080063:"},{"n":"temp","u":"Cel","v":23.1},{"n":"heat","u":"/","v":1},{"n":"fan","u":"/","v":0}]"#,
        );
        assert_eq!((good.len(), bad.len()), (3, 0));
    }

    #[test]
    fn times_below_2_to_28_are_relative_to_now() {
        let (good, _) = read(
            r#"[{"n":"a","u":"Cel","v":1},{"n":"a","t":-60,"v":2},{"n":"a","t":268435455,"v":3},{"n":"a","t":268435456,"v":4}]"#,
        );
        // RFC 8428 section 4.5.3: 2^28 s is 1978-07-04T21:24:16Z.
        assert_eq!((good[0].at.to_rfc3339(), good[0].relative), ("1978-07-04T21:24:16+00:00".into(), false));
        assert_eq!((good[1].at, good[1].relative), (now() - TimeDelta::seconds(60), true));
        assert_eq!(good[2].at, now());
        assert_eq!(good[3].at, now() + TimeDelta::seconds(268_435_455));
    }

    #[test]
    fn unknown_labels_are_passed_over_unless_they_must_be_understood() {
        let (good, bad) = read(r#"[{"n":"a","v":1,"colour":"blue"},{"n":"a","v":2,"colour_":"blue"}]"#);
        assert_eq!((good.len(), bad.len(), bad[0].index), (1, 1, 1));
        assert!(bad[0].reason.contains("colour_"));
    }

    #[test]
    fn a_record_without_a_known_label_is_refused_and_one_of_base_fields_only_is_not() {
        let (good, bad) = read(r#"[{"name":"p1","temp":3},{},{"bn":"p1","temp":3},{"bu":"Cel"},{"v":4}]"#);
        assert_eq!((good.len(), bad.iter().map(|b| b.index).collect::<Vec<_>>()), (1, vec![0, 1, 2]), "{bad:?}");
        assert!(bad[0].reason.ends_with("Not labels of SenML: name, temp."), "{bad:?}");
        assert_eq!(good[0].name, "p1", "the base of a record that was refused holds");
    }

    #[test]
    fn long_names_and_units_are_refused_and_not_repeated() {
        let long = "a".repeat(100_000);
        let pack = format!(
            r#"[{{"bn":"{long}","v":1}},{{"bn":"p1","u":"{long}","v":1}},{{"u":"Cel","v":1}},{{"v":1,"{long}_":1}}]"#
        );
        let (good, bad) = read(&pack);
        assert_eq!((good.len(), bad.len()), (1, 3));
        assert!(bad.iter().all(|b| b.reason.len() < 200), "{}", bad[0].reason.len());
        let (good, _) = read(&format!(r#"[{{"bn":"{}","v":1}}]"#, &long[..MAX_NAME_CHARS]));
        assert_eq!(good.len(), 1);
    }

    #[test]
    fn versions_that_are_not_spoken_refuse_the_pack() {
        assert_eq!(read(r#"[{"bver":11,"n":"a","v":1},{"n":"a","v":2}]"#).1.len(), 2);
        assert_eq!(read(r#"[{"bver":5,"n":"a","v":1},{"bver":6,"n":"a","v":2}]"#).1.len(), 2);
        assert_eq!(read(r#"[{"bver":5,"n":"a","v":1}]"#).1.len(), 0);
    }

    #[test]
    fn bad_records_do_not_take_good_ones_with_them() {
        let (good, bad) = read(
            r#"[{"n":"a","v":1},{"n":"-a","v":1},{"n":"a","v":1,"vb":true},{"n":"a","u":"Cel"},{"v":1},{"n":"a","v":1,"t":1e300}]"#,
        );
        assert_eq!(good.len(), 1);
        assert_eq!(bad.iter().map(|b| b.index).collect::<Vec<_>>(), [1, 2, 3, 4, 5]);
    }

    #[test]
    fn base_values_and_sums_are_added() {
        let (good, _) = read(r#"[{"bn":"m","bv":20.5,"bs":100,"v":1.5,"s":2},{"v":-0.5}]"#);
        assert_eq!((&good[0].value, good[0].sum), (&Value::Number(22.0), Some(102.0)));
        assert_eq!((&good[1].value, good[1].sum), (&Value::Number(20.0), Some(100.0)));
    }
}
