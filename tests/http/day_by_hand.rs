//! A day of a farm, and the next, by its pages alone: nothing that is typed there is dropped, doubled or merged.

use anyhow::{Context, Result, ensure};
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use serde_json::json;
use uuid::Uuid;

use crate::{
    farm_by_hand::{changed, done, seen, set_up},
    forms::{FORM, grams_at, send},
};

/// A lot is packed, promised by hand, sent, refused in part, brought back, taken to the market; and what was a mistake is taken back.
#[tokio::test]
async fn a_day_is_lived_on_the_pages() -> Result<()> {
    let farm = Farm::bare().await?;
    set_up(&farm).await?;
    done(
        &farm,
        "/lots",
        &[
            ("strain", "OY"),
            ("grade", "A"),
            ("packaging", "open"),
            ("form", "fresh"),
            ("harvest_day", "2026-05-04"),
            ("place", "F1"),
            ("grams_g", "6"),
        ],
    )
    .await?;
    let lot = farm.get("/api/lots").await["rows"][0]["lot"].as_str().context("a lot")?.to_owned();
    let goes_in = format!("lots_in/{lot}/grams_g");
    let packed = done(
        &farm,
        &format!("/lots/{lot}/pack"),
        &[
            ("place", "F1"),
            (&goes_in, "1"),
            ("lots_out/0/grams_g", "0,9"),
            ("lots_out/0/grade", "B"),
            ("lots_out/0/packaging", "vented"),
            ("trim_g", "0,1"),
        ],
    )
    .await?;
    ensure!(packed.status == 303 && grams_at(&farm, &lot, "F1").await == 5000);
    done(
        &farm,
        "/orders?customer=PLUM",
        &[("delivery_day", "2026-05-05"), ("lines/OY/grams_g", "2"), ("draft", "true")],
    )
    .await?;
    changed(&farm, "/orders/O-1/change", "/orders/O-1/confirm", &[]).await?;
    changed(&farm, "/orders/O-1/change", "/orders/O-1/day", &[("delivery_day", "2026-05-06"), ("note", "Back door")])
        .await?;
    changed(&farm, "/orders/O-1/change", "/orders/O-1/lines", &[("lines/line-1/grams_g", "3")]).await?;
    let chosen = format!("chosen/1@{lot}@F1/grams_g");
    done(&farm, "/orders/O-1/set-aside/chosen", &[(&chosen, "3"), ("reason", "They like it thick")]).await?;
    done(&farm, "/orders/O-1/set-aside/release", &[]).await?;
    ensure!(farm.get("/api/orders/O-1").await["lines"][0]["set_aside"] == json!([]));
    done(&farm, "/orders/O-1/set-aside/chosen", &[(&chosen, "3"), ("reason", "They like it thick")]).await?;
    done(&farm, "/orders/O-1/dispatch", &[("van", "VAN")]).await?;
    let refused = [("refused/1/grams_g", "0,5"), ("refused/1/reason", "bruised")];
    let door = [[("taken_by", "Cook"), ("temperature_c", "4,5")], refused].concat();
    done(&farm, "/dockets/D-1/delivery", &door).await?;
    farm.pass(TimeDelta::hours(2));
    done(&farm, "/dockets/D-1/return", &[("lines/1/grams_g", "0.25"), ("reason", "Bruised")]).await?;
    let docket = farm.get("/api/dockets/D-1").await;
    ensure!(docket["lines"][0]["kept_g"] == 2250 && docket["lines"][0]["refused_g"] == 500, "{docket}");
    let back = format!("/lots/{lot}/transfer");
    done(&farm, &back, &[("from_place", "VAN"), ("grams_g", "0,5"), ("to_place", "F1")]).await?;

    let taken = format!("taken/{lot}@F1/grams_g");
    let out = done(
        &farm,
        "/market-days",
        &[("stall", "STALL"), ("customer", "SATURDAY"), ("float_amount", "50"), (&taken, "1,5")],
    )
    .await?;
    let day = out.headers["location"].to_str()?.to_owned();
    ensure!(seen(&farm, &day).await?.contains("1.500 kg: brought back"), "{day}");
    let (back, tasted) = (format!("lots/{lot}/back_g"), format!("lots/{lot}/tasted_g"));
    done(
        &farm,
        &format!("{day}/close"),
        &[(&back, "0,4"), (&tasted, "0,1"), ("back_place", "F1"), ("cash", "67.50"), ("card", "0"), ("fee", "5")],
    )
    .await?;
    let sold = farm.get(&format!("/api{day}")).await;
    ensure!(sold["takings"] == "17.50" && sold["sold"][0]["grams_g"] == 1000, "{sold}");

    farm.pass(TimeDelta::minutes(1));
    // The last of it is thrown away by mistake and comes back.
    let left = grams_at(&farm, &lot, "F1").await;
    done(
        &farm,
        &format!("/lots/{lot}/take-out"),
        &[("kind", "waste"), ("from_place", "F1"), ("grams_g", "0,2"), ("reason", "Soft")],
    )
    .await?;
    let entries = seen(&farm, &format!("/lots/{lot}/entries")).await?;
    let acts: Vec<&str> = entries.split("href=\"/acts/").skip(1).filter_map(|part| part.split('"').next()).collect();
    ensure!(acts.len() > 8, "{entries}");
    let waste = format!("/acts/{}", acts.first().context("the last entry")?);
    ensure!(seen(&farm, &waste).await?.contains("Waste entry"));
    done(&farm, &format!("{waste}/reversal"), &[("reason", "The wrong crate")]).await?;
    ensure!(seen(&farm, &waste).await?.contains("It was taken back"));
    ensure!(grams_at(&farm, &lot, "F1").await == left);
    let again = farm
        .raw("POST", &format!("{waste}/reversal"), &FORM, format!("key={}&reason=x", Uuid::new_v4()).into_bytes())
        .await;
    ensure!(again.status == 409, "{}", again.text);
    Ok(())
}

#[tokio::test]
async fn what_was_typed_is_neither_dropped_nor_merged_nor_refused_for_what_was_not() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(6000).await;
    // An order may have a product twice, and its form keeps both lines.
    let lines = json!([{"product": "OY", "grams_g": 1000}, {"product": "OY", "grams_g": 500}]);
    let order = json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": lines});
    farm.create("/api/orders", order).await;
    let as_it_came = [("lines/line-1/grams_g", "1.000"), ("lines/line-2/grams_g", "0.500")];
    changed(&farm, "/orders/O-1/change", "/orders/O-1/lines", &as_it_came).await?;
    let lines = farm.get("/api/orders/O-1").await["lines"].clone();
    ensure!(lines[0]["grams_g"] == 1000 && lines[1]["grams_g"] == 500, "{lines}");
    done(&farm, "/orders/O-1/set-aside", &[]).await?;
    done(&farm, "/orders/O-1/dispatch", &[("van", "VAN")]).await?;
    done(&farm, "/dockets/D-1/delivery", &[("taken_by", "Cook")]).await?;
    farm.pass(TimeDelta::minutes(1));
    // The whole of a line comes back, and the answer is lost: sent again it is answered as before.
    let key = Uuid::new_v4();
    let all = [("lines/1/line", "1"), ("lines/1/grams_g", "1"), ("reason", "Bruised")];
    for _ in 0..2 {
        let answer = send(&farm, "/dockets/D-1/return", key, &all).await?;
        ensure!(answer.status == 303, "{} {}", answer.status, answer.text);
    }
    // A page that was opened before knows line 1 still: what is typed beside it is not dropped, whatever it looks like.
    let late = [
        ("lines/1/line", "1"),
        ("lines/1/grams_g", "1"),
        ("lines/2/line", "2"),
        ("lines/2/grams_g", "0.1"),
        ("reason", "x"),
    ];
    let refused = send(&farm, "/dockets/D-1/return", Uuid::new_v4(), &late).await?;
    ensure!(refused.status == 412 && refused.text.contains("no room for “1”"), "{} {}", refused.status, refused.text);
    let late = [
        ("lines/1/line", "1"),
        ("lines/1/grams_g", ""),
        ("lines/2/line", "2"),
        ("lines/2/grams_g", "0.1"),
        ("reason", "x"),
    ];
    done(&farm, "/dockets/D-1/return", &late).await?;
    // A lot that went meanwhile and that nobody typed anything beside.
    let (row, gone) =
        (format!("taken/{lot}@F1/grams_g"), [("taken/OY-1-1@F1/lot", "OY-1-1"), ("taken/OY-1-1@F1/place", "F1")]);
    let load = [("stall", "STALL"), ("customer", "SATURDAY"), ("float_amount", "50"), (&row, "1")];
    let out = done(&farm, "/market-days", &[&load[..], &gone].concat()).await?;
    let day = out.headers["location"].to_str()?.to_owned();
    let cash = |cash: &'static str| [("back_place", "F1"), ("cash", cash), ("card", "0"), ("fee", "0")];
    let huge = send(&farm, &format!("{day}/close"), Uuid::new_v4(), &cash("1111111111111111111111111111")).await?;
    ensure!(huge.status == 422 && huge.text.contains("id=\"cash-wrong\""), "{} {}", huge.status, huge.text);
    // What a market day took is told as it was: its entry offers no way to take it back.
    let act = farm.get(&format!("/api{day}")).await["out_act"].as_str().context("an act")?.to_owned();
    ensure!(!seen(&farm, &format!("/acts/{act}")).await?.contains("Take it back"));
    for path in ["/customers?after=%00", "/strains?after=%0A"] {
        ensure!(farm.raw("GET", path, &[], Vec::new()).await.status == 422, "{path}");
    }
    let emptied = [("words.docket", ""), ("words.verifier", "verifier"), ("words.plan", "plan"), ("version", "1")];
    let emptied = send(&farm, "/settings/words", Uuid::new_v4(), &emptied).await?;
    ensure!(emptied.text.contains("id=\"words.docket-wrong\""), "{}", emptied.text);
    let secret = send(&farm, "/people", Uuid::new_v4(), &[("owner.passphrase", "zebra zebra zebra")]).await?;
    ensure!(secret.status == 412 && !secret.text.contains("zebra"), "{}", secret.text);
    Ok(())
}
