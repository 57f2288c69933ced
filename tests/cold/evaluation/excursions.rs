//! Hours, excursions and what is written down by hand.

use anyhow::{Context, Result};
use chrono::{DateTime, TimeDelta, Utc};
use gillbook_store::migrate::detach_readings;
use gillbook_testkit::Farm;
use rand::{RngExt, SeedableRng, seq::SliceRandom};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};
use sqlx::{Connection, PgConnection};

use super::{post, reading, warm_spell};

#[tokio::test]
async fn a_warm_spell_wants_an_action_and_a_second_sign_off() -> Result<()> {
    let farm = Farm::new().await?;
    farm.pass(TimeDelta::hours(8));
    let lot = json!({"id": uuid::Uuid::new_v4(), "sources": [{"batch": "B1", "flush": 1}], "grade": "A", "gross_g": 3462, "tare": {"crate": "BLUE", "liner": "PAPER"}, "weighed_at": farm.now() - TimeDelta::hours(7)});
    let lot = farm.create("/api/weighings", lot).await["lot"].clone();
    let spell = warm_spell(&farm).await;
    assert_eq!((&spell["kind"], &spell["undecided"]), (&json!("too_warm"), &json!(false)));
    let began: DateTime<Utc> = spell["began_at"].as_str().context("began")?.parse()?;
    // Air steps from 2 to 9 °C within a minute; the food, with 20 minutes, passes 5 °C after 20·ln(7/4) minutes.
    let after = (began - (farm.now() - TimeDelta::hours(5))).as_seconds_f64() / 60.0;
    assert!((after - 20.0 * (7.0f64 / 4.0).ln()).abs() < 1.0, "{after}");
    let path = format!("/api/excursions/{}", spell["excursion_id"].as_str().context("an id")?);
    let one = farm.get(&path).await;
    assert_eq!((&one["lots"][0]["lot"], &one["lots"][0]["grams_g"]), (&lot, &json!(2000)));
    // Three hours at 9 °C instead of 5 °C: 3/24 · (10.9 ÷ 7.4 − 1) days, by the profile through 6 and 20 °C.
    assert!(one["lots"][0]["life_days"].as_f64().is_some_and(|d| d > 0.04 && d < 0.07), "{one}");
    assert!(one["caution"].as_str().is_some_and(|c| c.contains("local food-safety rules")));

    farm.post(&format!("{path}/sign-off"), json!({})).await.ensure_problem(409, "closed", None);
    let action = json!({"done": "Compressor switched on again", "food": "held"});
    farm.create(&format!("{path}/actions"), action).await;
    farm.post(&format!("{path}/sign-off"), json!({})).await.ensure_problem(409, "closed", None);
    let verifier = farm.person("verifier").await;
    let key = uuid::Uuid::new_v4().to_string();
    let signed =
        farm.ask(&verifier, "POST", &format!("{path}/sign-off"), &[("idempotency-key", &key)], Some(json!({}))).await;
    assert_eq!(signed.expect(201)["sign_offs"][0]["signed_by"], "VE");
    assert_eq!(farm.get(&path).await["actions"][0]["food"], "held");
    assert_eq!(farm.get("/api/stock").await["rows"][0]["on_hold"], true, "what was written down was done");
    farm.post(&format!("{path}/actions"), json!({"done": "x", "food": "eaten"})).await.ensure_problem(
        422,
        "invalid",
        Some("/food"),
    );
    Ok(())
}

#[tokio::test]
async fn a_gap_closes_itself_when_the_backlog_comes_and_what_was_done_stays() -> Result<()> {
    let farm = Farm::new().await?;
    farm.pass(TimeDelta::hours(8));
    let began = farm.now() - TimeDelta::hours(6);
    let minutes =
        |range: std::ops::Range<i64>| range.map(|m| reading(began + TimeDelta::minutes(m), 2.0)).collect::<Vec<_>>();
    post(&farm, [minutes(0..100), minutes(200..360)].concat()).await;
    let gap = farm.get("/api/excursions").await["rows"][0].clone();
    assert_eq!(gap["kind"], "no_data");
    let path = format!("/api/excursions/{}", gap["excursion_id"].as_str().context("an id")?);
    farm.create(&format!("{path}/actions"), json!({"done": "Read by hand meanwhile", "food": "kept"})).await;
    // Half of the backlog: the gap gets shorter and keeps its id, and with it what was done.
    post(&farm, minutes(100..150)).await;
    let shorter = farm.get(&path).await;
    assert_eq!(shorter["began_at"], json!(began + TimeDelta::minutes(149)), "{shorter}");
    post(&farm, minutes(150..200)).await;
    let filled = farm.get(&path).await;
    assert!(filled["withdrawn_at"].is_string() && filled["actions"][0]["done"] == "Read by hand meanwhile", "{filled}");
    assert!(
        farm.get("/api/places/F1/temperature").await["gaps"][0]["until"] == json!(began),
        "nothing is missing since"
    );
    Ok(())
}

/// Whatever the order of packs, doubles, limits and offsets: what is stored is what one judging of the raw rows gives.
#[tokio::test]
async fn stored_hours_and_excursions_are_those_of_one_recomputation() -> Result<()> {
    for seed in 0..6 {
        let farm = Farm::new().await?;
        farm.pass(TimeDelta::days(3));
        farm.create("/api/probes", json!({"probe": "p2", "place": "F1"})).await;
        let mut chance = ChaCha8Rng::seed_from_u64(seed);
        let mut records = Vec::new();
        let mut at = farm.now() - TimeDelta::hours(60);
        while at < farm.now() {
            let step =
                if chance.random_bool(0.01) { chance.random_range(1_000..9_000) } else { chance.random_range(30..300) };
            at += TimeDelta::seconds(step);
            let warm = if at.timestamp() % 50_000 < 9_000 { 9.0 } else { 2.0 };
            let c = if chance.random_bool(0.02) { 85.0 } else { warm + chance.random_range(-1.0..1.0) };
            let probe = if chance.random_bool(0.3) { "p2" } else { "p1" };
            records.push(json!({"n": probe, "u": "Cel", "t": at.timestamp(), "v": c}));
        }
        records.pop();
        let mut packs: Vec<Vec<Value>> = Vec::new();
        records.shuffle(&mut chance);
        for chunk in records.chunks(60) {
            packs.push(chunk.to_vec());
        }
        packs.push(records.iter().take(200).cloned().collect());
        for (n, pack) in packs.into_iter().enumerate() {
            post(&farm, pack).await;
            if n % 3 == 0 {
                farm.get("/api/excursions").await;
            }
            if n == 5 {
                let from = farm.now() - TimeDelta::hours(chance.random_range(5..50));
                let limit = json!({"limit": {"name": "Colder", "warm_c": 4.0, "cold_c": 0.0, "gap_minutes": 20, "lag_minutes": 45, "effective_from": from}});
                farm.ask(&farm.owner, "PATCH", "/api/places/F1", &[("if-match", "\"1\"")], Some(limit))
                    .await
                    .expect(200);
                let from = farm.now() - TimeDelta::hours(chance.random_range(5..50));
                let check = json!({"kind": "ice_point", "read_c": 0.4, "correct_from": from});
                farm.create("/api/probes/p1/checks", check).await;
            }
        }
        farm.ensure_evaluated_as_once(&[]).await.with_context(|| format!("seed {seed}"))?;
    }
    Ok(())
}

#[tokio::test]
async fn offsets_apply_to_their_dates_and_a_probe_far_off_is_doubtful() -> Result<()> {
    let farm = Farm::new().await?;
    let began = farm.now() - TimeDelta::hours(4);
    post(&farm, (0..240).map(|m| reading(began + TimeDelta::minutes(m), 3.0)).collect()).await;
    let checks = "/api/probes/p1/checks";
    farm.create(checks, json!({"kind": "ice_point", "read_c": 0.2, "checked_at": began})).await;
    let bad = farm.create(checks, json!({"kind": "ice_point", "read_c": 1.4})).await;
    assert_eq!(bad["doubtful_since"], json!(began), "{bad}");
    let mended = farm
        .create(checks, json!({"kind": "ice_point", "read_c": 1.4, "correct_from": began + TimeDelta::hours(2)}))
        .await;
    assert_eq!(mended["doubtful_since"], Value::Null);
    let air = farm.get("/api/places/F1/temperature").await;
    let mean = air["exposure"]["mean_c"].as_f64().context("a mean")?;
    assert!((mean - 2.3).abs() < 0.02, "half at 3.0, half at 1.6: {mean}");
    let raw: f64 = sqlx::query_scalar("select max(value_c) from reading")
        .fetch_one(&mut PgConnection::connect_with(&farm.admin).await?)
        .await?;
    assert!((raw - 3.0).abs() < 1e-12, "the raw value is kept");
    farm.post(checks, json!({"kind": "ice_point", "read_c": 9.0, "correct_from": began})).await.ensure_problem(
        422,
        "invalid",
        Some("/read_c"),
    );
    Ok(())
}

#[tokio::test]
async fn the_checks_book_and_spot_readings_are_in_the_record() -> Result<()> {
    let farm = Farm::new().await?;
    farm.pass(TimeDelta::hours(8));
    farm.create(
        "/api/checks",
        json!({"check": "FLOOR", "name": "Packing corner", "topic": "cleaning", "every_days": 2}),
    )
    .await;
    assert_eq!(farm.get("/api/checks").await["rows"][0]["due"], true);
    farm.post("/api/checks/FLOOR/done", json!({"good": false})).await.ensure_problem(
        422,
        "invalid",
        Some("/what_done"),
    );
    let done = farm.create("/api/checks/FLOOR/done", json!({"good": true})).await;
    assert_eq!((&done["due"], &done["due_on"]), (&json!(false), &json!("2026-05-06")));
    farm.create("/api/places/VAN/spot-readings", json!({"c": 3.5, "note": "Before the round"})).await;
    farm.create("/api/places/F1/spot-readings", json!({"c": 2.5})).await;
    warm_spell(&farm).await;
    let record = farm.get("/api/places/F1/temperature-record?from=2026-05-03&until=2026-05-04").await;
    assert_eq!(record["spot_readings"].as_array().map(Vec::len), Some(1));
    assert_eq!(
        (&record["checks"][0]["name"], &record["excursions"][0]["kind"]),
        (&json!("Packing corner"), &json!("too_warm"))
    );
    let coverage = record["days"][1]["exposure"]["coverage"].as_f64().context("coverage")?;
    // Six of the sixteen hours since midnight in Paris.
    assert!((coverage - 0.375).abs() < 0.01, "a spot reading is no coverage, six hours of minutes are: {coverage}");
    assert_eq!(record["days"][0]["exposure"]["coverage"], 0.0);
    let pdf = farm.raw("GET", "/api/places/F1/temperature-record/pdf?from=2026-05-03", &[], Vec::new()).await;
    assert_eq!((pdf.status, &pdf.text[..5]), (200, "%PDF-"), "{}", pdf.text);
    let csv = farm.raw("GET", "/api/places/F1/temperature-record/csv", &[], Vec::new()).await;
    assert!(csv.text.starts_with("hour,min_c,mean_c,max_c") && csv.text.lines().count() > 6, "{}", csv.text);
    for path in ["/checks", "/fridge", "/fridge/record?from=2026-05-03&until=2026-05-04"] {
        let page = farm.raw("GET", path, &[], Vec::new()).await;
        assert_eq!(page.status, 200, "{path}: {}", page.text);
    }
    farm.ask(&farm.owner, "GET", "/api/places/F1/temperature-record?from=2026-06-01&until=2026-05-01", &[], None)
        .await
        .ensure_problem(422, "invalid", Some("until"));
    Ok(())
}

#[tokio::test]
async fn cbor_and_bad_records_are_answered_one_by_one() -> Result<()> {
    let farm = Farm::new().await?;
    let at = farm.now().timestamp() - 60;
    let mut cbor = Vec::new();
    let field = |k: i64, v: ciborium::Value| (ciborium::Value::Integer(k.into()), v);
    let record = |t: i64, v: ciborium::Value| {
        ciborium::Value::Map(vec![
            field(0, ciborium::Value::Text("p1".into())),
            field(1, ciborium::Value::Text("Cel".into())),
            field(6, ciborium::Value::Integer(t.into())),
            field(2, v),
        ])
    };
    let pack = vec![record(at, 2.5.into()), record(at + 1, "warm".into()), 7.into(), record(at + 2, f64::NAN.into())];
    ciborium::into_writer(&ciborium::Value::Array(pack), &mut cbor)?;
    let kind = [("content-type", "application/senml+cbor")];
    let answer = farm.raw("POST", "/api/readings", &kind, cbor).await.expect(200);
    assert_eq!((&answer["accepted"], &answer["faults"]), (&json!(2), &json!(1)), "{answer}");
    let refused: Vec<i64> =
        answer["refused"].as_array().into_iter().flatten().filter_map(|r| r["index"].as_i64()).collect();
    assert_eq!(refused, [1, 2]);
    farm.raw("POST", "/api/readings", &kind, vec![0xff, 0x00]).await.ensure_problem(422, "invalid", None);
    farm.raw("POST", "/api/readings", &[("content-type", "text/csv")], vec![]).await.ensure_problem(
        415,
        "wrong-content-type",
        None,
    );
    Ok(())
}

#[tokio::test]
async fn a_lot_of_a_strain_that_keeps_badly_so_cold_is_told_of() -> Result<()> {
    let farm = Farm::new().await?;
    let (oyster, warm) = (farm.lot_of(2000).await, farm.now());
    sqlx::query("update strain set lowest_safe_c = 6 where strain = 'OY'")
        .execute(&mut PgConnection::connect_with(&farm.admin).await?)
        .await?;
    farm.pass(TimeDelta::hours(8));
    // Four whole hours whose mean is colder than its strain keeps well at, and never too cold for the store.
    let air = |m: i64| if (60..270).contains(&m) { 4.0 } else { 7.0 };
    post(&farm, (0..480).map(|m| reading(warm + TimeDelta::minutes(m), air(m))).collect()).await;
    let chilled = &farm.get("/api/places/F1/temperature").await["chilled"];
    assert_eq!((&chilled[0]["lot"], &chilled[0]["lowest_c"]), (&json!(oyster), &json!(6.0)), "{chilled}");
    assert_eq!(chilled[0]["hours"], 4, "{chilled}");
    assert!(chilled[0]["coldest_c"].as_f64().is_some_and(|c| (c - 4.0).abs() < 0.01), "{chilled}");
    let page = farm.raw("GET", "/fridge", &[], Vec::new()).await;
    assert!(page.text.contains("keeps badly below 6 °C. Find it a warmer place."), "{}", page.text);
    // Away in the van and back since: what was before it came back is not its own.
    for (from, to) in [("F1", "VAN"), ("VAN", "F1")] {
        farm.create(
            "/api/movements",
            json!({"kind": "transfer", "lot": oyster, "from_place": from, "to_place": to, "grams_g": 2000}),
        )
        .await;
        farm.pass(TimeDelta::minutes(1));
    }
    assert_eq!(farm.get("/api/places/F1/temperature").await["chilled"], json!([]));
    let kinds = farm.get("/api/excursions").await;
    assert!(!kinds.to_string().contains("too_cold"), "the store's own limit is another matter: {kinds}");
    Ok(())
}

#[tokio::test]
async fn months_that_are_detached_keep_what_was_judged_of_them() -> Result<()> {
    let mut farm = Farm::new().await?;
    let began = farm.now() - TimeDelta::hours(4);
    post(&farm, (0..240).map(|m| reading(began + TimeDelta::minutes(m), 8.0)).collect()).await;
    let mut owner = PgConnection::connect_with(&farm.admin).await?;
    let judged =
        "select count(*), sum(air_integral_c_s), (select count(*) from reading) from hourly_figure where hour < $1";
    farm.get("/api/excursions").await;
    let before: (i64, Option<f64>, i64) =
        sqlx::query_as(judged).bind(farm.now() + TimeDelta::hours(1)).fetch_one(&mut owner).await?;
    assert_eq!((before.0, before.2), (4, 240));
    let day = |at: DateTime<Utc>| at.date_naive();
    let refused = detach_readings(&farm.admin, day(farm.now()), farm.now()).await.err().context("refused")?;
    assert!(refused.to_string().contains("three years"), "{refused}");

    farm.pass(TimeDelta::days(4 * 366));
    farm.owner = farm.sign_in("ada").await;
    post(&farm, vec![reading(farm.now() - TimeDelta::minutes(1), 3.0)]).await;
    let detached = detach_readings(&farm.admin, day(began + TimeDelta::days(40)), farm.now()).await?;
    assert!(detached >= 2, "the month's readings and what was sent beside: {detached}");
    // A limit from before they began, and a look at the place: what was judged stands although its readings are away.
    sqlx::query("insert into dirty_range select farm_id, 'F1', false, $1, $2 from farm on conflict (farm_id, place, leased) do update set from_at = excluded.from_at")
        .bind(began)
        .bind(began + TimeDelta::hours(1))
        .execute(&mut owner)
        .await?;
    farm.get("/api/excursions").await;
    let after: (i64, Option<f64>, i64) =
        sqlx::query_as(judged).bind(began + TimeDelta::days(1)).fetch_one(&mut owner).await?;
    assert_eq!(after, (before.0, before.1, 1));
    sqlx::raw_sql("set role gillbook_owner").execute(&mut owner).await?;
    let month = format!("select count(*) from detached.reading_{}", began.format("%Y_%m"));
    let kept: i64 = sqlx::query_scalar(sqlx::AssertSqlSafe(month)).fetch_one(&mut owner).await?;
    assert_eq!(kept, 240, "its owner can copy it away");
    Ok(())
}

#[tokio::test]
async fn by_hand_and_who_is_told_are_tapped_in_and_what_is_wrong_is_said() -> Result<()> {
    let farm = Farm::new().await?;
    let form = [("content-type", "application/x-www-form-urlencoded")];
    let send = |path: &'static str, fields: &'static str| {
        let body = format!("key={}&{fields}", uuid::Uuid::new_v4()).into_bytes();
        farm.raw("POST", path, &form, body)
    };
    assert_eq!(send("/fridge/by-hand/reading", "place=F1&c=3,4&note=").await.status, 303);
    assert!(!farm.raw("GET", "/fridge/by-hand", &[], Vec::new()).await.text.contains("above the limit"));
    assert_eq!(send("/fridge/by-hand/reading", "place=F1&c=12,5&note=").await.status, 303);
    assert_eq!(send("/fridge/by-hand/check", "probe=p1&kind=ice_point&reference_c=&read_c=-1.6").await.status, 303);
    let page = farm.raw("GET", "/fridge/by-hand", &[], Vec::new()).await;
    for words in ["3.4", "12.5<br><b>above the limit</b>", "\u{2212}1.6\u{a0}°C off", "Suspect"] {
        assert!(page.text.contains(words), "{words}: {}", page.text);
    }
    let corrected = "probe=p1&kind=comparison&reference_c=2.0&read_c=0.4&correct=yes";
    assert_eq!(send("/fridge/by-hand/check", corrected).await.status, 303);
    let page = farm.raw("GET", "/fridge/by-hand", &[], Vec::new()).await;
    assert!(page.text.contains("corrected since") && !page.text.contains("Suspect"), "{}", page.text);
    // What the fridge page shows is corrected by 1.6 °C now: in ice it shows 0.1, and that is no doubt and no new offset.
    farm.pass(TimeDelta::minutes(1));
    assert_eq!(send("/fridge/by-hand/check", "probe=p1&kind=ice_point&read_c=0,1").await.status, 303);
    let standing = farm.get("/api/probes/p1/checks").await;
    assert_eq!((&standing["doubtful_since"], &standing["offset_c"]), (&Value::Null, &json!(1.6)), "{standing}");
    assert!(standing["checks"][2]["corrected_off_c"].as_f64().is_some_and(|c| (c - 0.1).abs() < 1e-9), "{standing}");
    assert!(standing["checks"][2]["read_c"].as_f64().is_some_and(|c| (c + 1.5).abs() < 1e-9), "{standing}");

    assert_eq!(send("/checks", "name=Scale+at+2+kg&topic=scale&every_days=7").await.status, 303);
    assert_eq!(send("/checks", "name=Scale+at+2+kg&topic=scale&every_days=30").await.status, 303);
    assert_eq!(send("/checks", "name=%D0%92%D0%B5%D1%81%D1%8B&topic=scale&every_days=30").await.status, 303);
    let checks = farm.get("/api/checks").await["rows"].to_string();
    assert!(checks.contains("\"SCALEAT2KG-") && checks.contains("Весы"), "{checks}");
    assert_eq!(send("/notices", "address=me%40farm.example.org&quiet_from=22:00&quiet_until=06:00").await.status, 303);
    let added = send("/notices", "address=https%3A%2F%2Fhook.example.org%2Fx&after_minutes=30").await;
    assert!(added.status == 200 && added.text.contains("whsec_"), "the secret is shown once: {}", added.text);
    let page = farm.raw("GET", "/notices", &[], Vec::new()).await;
    assert!(
        page.text.contains("22:00 to 06:00 only warm spells") && page.text.contains("after 30 minutes"),
        "{}",
        page.text
    );
    assert!(!page.text.contains("whsec_"));
    let first = farm.get("/api/notices").await["rows"][0]["notice_recipient"].as_str().context("an id")?.to_owned();
    let removed = farm.raw("POST", &format!("/notices/{first}/remove"), &form, Vec::new()).await;
    assert_eq!((removed.status, farm.get("/api/notices").await["rows"].as_array().map(Vec::len)), (303, Some(1)));

    // Each mistake is answered on the page that it was made on, with what to do, and what was typed is still there.
    let mistaken = send("/fridge/by-hand/check", "probe=p1&kind=comparison&reference_c=2&read_c=x&correct=yes").await;
    for kept in
        ["value=\"x\"", "value=\"2\"", "value=\"comparison\" checked", "value=\"yes\" checked", "<details open>"]
    {
        assert!(mistaken.status == 422 && mistaken.text.contains(kept), "{kept}: {}", mistaken.text);
    }
    for (path, fields, words) in [
        ("/fridge/by-hand/reading", "place=F1&c=cold", "Type degrees, such as 3.4."),
        ("/fridge/by-hand/reading", "place=F1&c=99&note=lid+open", "value=\"lid open\""),
        ("/fridge/by-hand/check", "probe=p9&kind=ice_point&read_c=1", "p9"),
        ("/fridge/by-hand/check", "probe=p1&kind=comparison&read_c=1", "is not a temperature"),
        ("/checks", "name=&topic=other&every_days=7", "class=\"wrong\" role=\"alert\""),
        ("/checks", "name=Floor&topic=other&every_days=0", "1 to 400"),
        ("/notices", "address=nobody", "An e-mail address has an @"),
        ("/notices", "address=nobody", "value=\"nobody\""),
        ("/notices", "address=a%40b.example&quiet_from=22", "time of day"),
    ] {
        let page = send(path, fields).await;
        assert!((400..500).contains(&page.status) && page.text.contains(words), "{path} {fields}: {}", page.text);
    }
    Ok(())
}
