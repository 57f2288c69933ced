//! What a message says.

use crate::cold::probe_checks::ProbeCheck;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use gillbook_core::{Grams, cold::evaluate::Excursion, kinds::ExcursionKind, text::PlaceCode};

/// What a message of a doubtful probe says: what it read, since when its readings are in doubt, what to do first.
pub(super) fn words_of_doubt(
    place: &PlaceCode,
    check: &ProbeCheck,
    since: DateTime<Utc>,
    zone: Tz,
) -> (String, String) {
    let since = if since == DateTime::<Utc>::UNIX_EPOCH {
        "All its readings are in doubt: no good check of it is on record.".to_owned()
    } else {
        let day = since.with_timezone(&zone).format("%-d %B %H:%M");
        format!("Its readings since its last good check, {day}, are in doubt.")
    };
    let body = format!(
        "Probe {} in {place} read {:.1} °C where {:.1} °C was due. {since} They stay on record, marked. First put a checked thermometer into \
         {place}; then mend, correct or replace the probe, and check it again. Your local food-safety rules and your plan decide what becomes \
         of the food.",
        check.probe,
        // As the pages showed it, with the correction of that time.
        check.reference_c + check.corrected_off_c,
        check.reference_c
    );
    (format!("{place}: probe {} is doubtful", check.probe), body)
}

/// What a message says: what is wrong, how many kilos are inside, what to do first.
pub(super) fn words(place: &PlaceCode, e: &Excursion, inside: Grams, now: DateTime<Utc>) -> (String, String) {
    let minutes = (e.until.unwrap_or(now) - e.from).num_minutes();
    let what = match e.kind {
        ExcursionKind::TooWarm => "is too warm",
        ExcursionKind::TooCold => "is too cold",
        ExcursionKind::NoData => "has sent nothing",
        ExcursionKind::ProbeFault => "has a faulty probe",
    };
    let first = match e.kind {
        ExcursionKind::TooWarm => {
            "First look whether the door is shut and the compressor runs; then move what is inside if it does not recover."
        }
        ExcursionKind::TooCold => "First look at the thermostat, and whether anything has frozen.",
        ExcursionKind::NoData => "First look at the thermometer inside, then at the probe's power and network.",
        ExcursionKind::ProbeFault => "First look at the thermometer inside, then at the probe's plug.",
    };
    let peak = e.product_c.map(|c| format!(" Food inside estimated at up to {c:.1} °C.")).unwrap_or_default();
    if e.until.is_some() {
        let subject = format!("{place}: over after {minutes} minutes");
        let body = format!(
            "{place} {what} no longer. It lasted {minutes} minutes.{peak} Write down what was done and what became of the food."
        );
        return (subject, body);
    }
    let subject = format!("{place} {what}");
    let body = format!(
        "{place} {what}, for {minutes} minutes.{peak} {:.1} kg are inside. {first} Your local food-safety rules and your plan decide what becomes of the food.",
        inside.kg()
    );
    (subject, body)
}
