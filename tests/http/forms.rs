//! What is typed into forms: it is the interface's body, counts once, and is given back with what is wrong beside its field.

use anyhow::{Context, Result, ensure};
use chrono::TimeDelta;
use gillbook_testkit::{Answer, As, Farm};
use serde_json::{Value, json};
use uuid::Uuid;

pub(crate) const FORM: [(&str, &str); 1] = [("content-type", "application/x-www-form-urlencoded")];

/// Sends a form with its key, as a browser does.
pub(crate) async fn send(farm: &Farm, path: &str, key: Uuid, fields: &[(&str, &str)]) -> Result<Answer> {
    let body = serde_urlencoded::to_string([&[("key", key.to_string().as_str())], fields].concat())?;
    Ok(farm.raw("POST", path, &FORM, body.into_bytes()).await)
}

pub(crate) async fn grams_at(farm: &Farm, lot: &str, place: &str) -> Value {
    let lot = farm.get(&format!("/api/lots/{lot}")).await;
    let places = lot["places"].as_array().cloned().unwrap_or_default();
    places.iter().find(|p| p["place"] == place).map_or(json!(0), |p| p["grams_g"].clone())
}

/// A phone that kept a form sends it by a script, which shows no page: it is told what became of it.
#[tokio::test]
async fn what_a_phone_kept_is_answered_in_words_that_a_program_reads() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(3000).await;
    let path = format!("/lots/{lot}/take-out");
    let script = [FORM[0], ("accept", "application/problem+json")];
    let body = |key: Uuid, kg: &str| {
        let key = key.to_string();
        let fields =
            [("key", key.as_str()), ("kind", "waste"), ("from_place", "F1"), ("grams_g", kg), ("reason", "Soft")];
        serde_urlencoded::to_string(fields)
    };
    let key = Uuid::new_v4();
    let refused = farm.raw("POST", &path, &script, body(key, "9")?.into_bytes()).await.expect(409);
    ensure!(refused["type"] == "/problems/not-enough", "{refused}");
    let refused = farm.raw("POST", &path, &script, body(key, "a lot")?.into_bytes()).await.expect(422);
    ensure!(refused["errors"][0]["pointer"] == "/grams_g", "{refused}");
    let done = farm.raw("POST", &path, &script, body(key, "1.2")?.into_bytes()).await;
    ensure!(done.headers.get("set-cookie").is_none(), "no page is to say what was done");
    ensure!(done.expect(200)["next"].is_string());
    // Somebody else signs in on the phone before the answer has come: it is the same form.
    let driver = farm.person("driver").await;
    farm.raw_as(&driver, "POST", &path, &script, body(key, "1.2")?.into_bytes()).await.expect(200);
    let verifier = farm.person("verifier").await;
    farm.raw_as(&verifier, "POST", &path, &script, body(key, "1.2")?.into_bytes()).await.expect(403);
    let reused = farm.raw_as(&driver, "POST", &path, &script, body(key, "1.3")?.into_bytes()).await.expect(422);
    ensure!(reused["type"] == "/problems/key-reused", "{reused}");
    let nobody = farm.raw_as(&As::Nobody, "POST", &path, &script, body(key, "1.2")?.into_bytes()).await.expect(401);
    ensure!(nobody["type"] == "/problems/not-signed-in", "{nobody}");
    ensure!(grams_at(&farm, &lot, "F1").await == 1800, "once");
    // A browser alone goes through the doors: what is sent there otherwise has its cookies all the same.
    let fields = serde_urlencoded::to_string([("sign_in_name", "ada"), ("passphrase", "four words do well")])?;
    let signed_in = farm.raw_as(&As::Nobody, "POST", "/sign-in", &script, fields.into_bytes()).await;
    ensure!(signed_in.status == 303 && signed_in.headers.contains_key("set-cookie"), "{}", signed_in.text);
    Ok(())
}

/// A phone fills in the time of a form where it keeps it: the same form with another time, or with none, is the same.
#[tokio::test]
async fn the_same_hand_over_with_another_time_is_the_same() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(1000).await;
    let order = json!({"customer": "PLUM", "delivery_day": farm.today(), "lines": [{"product": "OY", "grams_g": 900}]});
    let order = farm.create("/api/orders", order).await["order"].clone();
    let path = format!("/api/orders/{}/set-aside", order.as_str().unwrap_or_default());
    farm.ask(&farm.owner, "PUT", &path, &[], Some(json!({}))).await.expect(200);
    let docket = farm.create("/api/dockets", json!({"order": order, "van": "VAN"})).await;
    let path = format!("/dockets/{}/delivery", docket["docket"].as_str().unwrap_or_default());
    let key = Uuid::new_v4();
    let now = farm.now().to_rfc3339();
    for time in ["", &now] {
        let done = send(&farm, &path, key, &[("taken_by", "Kim"), ("delivered_at", time)]).await?;
        ensure!(done.status == 303, "{time}: {} {}", done.status, done.text);
    }
    let other = send(&farm, &path, key, &[("taken_by", "Lou"), ("delivered_at", &now)]).await?;
    ensure!(other.status == 422 && other.text.contains("This form was saved already"), "{}", other.text);
    Ok(())
}

#[tokio::test]
async fn grams_are_taken_out_once_and_a_fault_stands_beside_its_field() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(3000).await;
    let page = farm.raw("GET", &format!("/lots/{lot}/move"), &[], Vec::new()).await;
    ensure!(page.status == 200 && page.text.contains("3.000 kg free"), "{}", page.text);
    let path = format!("/lots/{lot}/take-out");
    let key = Uuid::new_v4();
    let waste = |kg: &'static str, reason: &'static str| {
        [("kind", "waste"), ("from_place", "F1"), ("grams_g", kg), ("reason", reason)]
    };
    for (kg, reason, wrong) in
        [("a lot", "Soft", "“a lot” is not a weight"), ("1,2", "", "Fill this in."), ("9", "Soft", "F1 has 3000 g")]
    {
        let refused = send(&farm, &path, key, &waste(kg, reason)).await?;
        ensure!(refused.status >= 400 && refused.text.contains(wrong), "{kg}: {} {}", refused.status, refused.text);
        ensure!(refused.text.contains(&format!("value=\"{kg}\"")), "{kg} is given back: {}", refused.text);
        ensure!(refused.text.contains("value=\"waste\" checked"), "{}", refused.text);
    }
    ensure!(grams_at(&farm, &lot, "F1").await == 3000);
    for _ in 0..2 {
        ensure!(send(&farm, &path, key, &waste("1,2", "Soft")).await?.status == 303);
    }
    ensure!(grams_at(&farm, &lot, "F1").await == 1800);
    // An answer was lost, and what was sent is changed and sent again: it is not booked beside the first.
    for _ in 0..2 {
        let other = send(&farm, &path, key, &waste("0.5", "Soft")).await?;
        ensure!(other.status == 422 && other.text.contains("This form was saved already"), "{}", other.text);
        ensure!(other.text.contains(&format!("value=\"{key}\"")), "the key stays: {}", other.text);
    }
    // Whatever is no key, or none at all, does nothing.
    for body in ["kind=waste", "key=1&kind=waste", "key=%ff"] {
        ensure!(farm.raw("POST", &path, &FORM, body.as_bytes().to_vec()).await.status == 400, "{body}");
    }
    ensure!(grams_at(&farm, &lot, "F1").await == 1800);
    let moved = [("kind", "transfer"), ("from_place", "F1"), ("grams_g", "0.8"), ("to_place", "VAN")];
    ensure!(send(&farm, &format!("/lots/{lot}/transfer"), Uuid::new_v4(), &moved).await?.status == 303);
    ensure!(grams_at(&farm, &lot, "VAN").await == 800);
    ensure!(send(&farm, &format!("/lots/{lot}/finish"), Uuid::new_v4(), &[("reason", "")]).await?.status == 422);
    ensure!(send(&farm, &format!("/lots/{lot}/finish"), Uuid::new_v4(), &[("reason", "Empty")]).await?.status == 303);
    ensure!(farm.get(&format!("/api/lots/{lot}")).await["finished"] == true);
    Ok(())
}

#[tokio::test]
async fn an_order_is_taken_with_its_lines_and_empty_ones_are_none() -> Result<()> {
    let farm = Farm::new().await?;
    let choice = farm.raw("GET", "/orders/new", &[], Vec::new()).await;
    ensure!(choice.text.contains("href=\"/orders/new?customer=PLUM\""), "{}", choice.text);
    let page = farm.raw("GET", "/orders/new?customer=PLUM", &[], Vec::new()).await;
    ensure!(page.status == 200 && page.text.contains("lines/OY/grams_g"), "{}", page.text);
    ensure!(!page.text.contains("What they usually take"), "{}", page.text);
    let path = "/orders?customer=PLUM";
    let order = [("delivery_day", "2026-05-05"), ("lines/OY/grams_g", "1,25")];
    let wrong = [order[0], ("lines/OY/grams_g", "1,2555")];
    let refused = send(&farm, path, Uuid::new_v4(), &wrong).await?;
    ensure!(refused.text.contains("id=\"lines/OY/grams_g-wrong\""), "{}", refused.text);
    let past = [("delivery_day", "2026-05-01"), order[1]];
    let refused = send(&farm, path, Uuid::new_v4(), &past).await?;
    ensure!(refused.text.contains("id=\"delivery_day-wrong\"") && refused.text.contains("value=\"1,25\""));
    let empty = send(&farm, path, Uuid::new_v4(), &order[..1]).await?;
    ensure!(empty.status == 422 && empty.text.contains("Fill in at least one."), "{}", empty.text);
    let taken = send(&farm, path, Uuid::new_v4(), &order).await?;
    ensure!(taken.status == 303, "{}", taken.text);
    // What they took is what they usually take now.
    let page = farm.raw("GET", "/orders/new?customer=PLUM", &[], Vec::new()).await;
    ensure!(page.text.contains("What they usually take") && page.text.contains("value=\"1.250\""), "{}", page.text);
    let orders = farm.get("/api/orders").await;
    let lines = orders["rows"][0]["lines"].as_array().context("lines")?;
    ensure!(lines.len() == 1 && lines[0]["grams_g"] == 1250, "{orders}");
    let unknown = [&order[..], &[("lines/GONE/grams_g", "1")]].concat();
    let refused = send(&farm, path, Uuid::new_v4(), &unknown).await?;
    ensure!(refused.text.contains("has changed since you opened it"), "{}", refused.text);
    Ok(())
}

/// A count names its lots: what is weighed or taken away while somebody counts moves no figure to another lot.
#[tokio::test]
async fn a_count_is_of_the_lots_that_were_on_the_page() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(3000).await;
    let path = "/places/F1/count";
    let page = farm.raw("GET", path, &[], Vec::new()).await.text;
    ensure!(page.contains(&format!("lots/{lot}/counted_g")) && !page.contains("found_reason"), "{page}");
    farm.pass(TimeDelta::hours(1));
    let more = [(format!("lots/{lot}/counted_g"), "4")];
    let post = async |fields: Vec<(String, &'static str)>| {
        let fields: Vec<(&str, &str)> = fields.iter().map(|(name, value)| (name.as_str(), *value)).collect();
        send(&farm, path, Uuid::new_v4(), &fields).await
    };
    let refused = post(more.to_vec()).await?;
    ensure!(refused.text.contains(&format!("id=\"lots/{lot}/found_reason-wrong\"")), "{}", refused.text);
    ensure!(refused.text.contains("value=\"4\""), "{}", refused.text);
    // It was moved away after the page was opened.
    let away = json!({"kind": "transfer", "lot": lot, "from_place": "F1", "to_place": "VAN", "grams_g": 3000});
    farm.create("/api/movements", away).await;
    let found = [more[0].clone(), (format!("lots/{lot}/found_reason"), "Behind the crates")];
    let counted = post(found.to_vec()).await?;
    ensure!(counted.status == 303, "{}", counted.text);
    ensure!(grams_at(&farm, &lot, "F1").await == 4000);
    let nothing = post(Vec::new()).await?;
    ensure!(nothing.status == 422 && nothing.text.contains("Fill in at least one."), "{}", nothing.text);
    Ok(())
}

/// What came while somebody counted was not there to be counted.
#[tokio::test]
async fn a_count_is_held_against_what_the_page_showed() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(3000).await;
    farm.pass(TimeDelta::hours(1));
    let opened = farm.now().to_rfc3339();
    farm.pass(TimeDelta::minutes(10));
    let away = json!({"kind": "transfer", "lot": lot, "from_place": "F1", "to_place": "VAN", "grams_g": 1000});
    farm.create("/api/movements", away).await;
    let (lot_field, counted) = (format!("lots/{lot}/lot"), format!("lots/{lot}/counted_g"));
    // The row of a lot that has gone meanwhile says only what it is about.
    let fields = [
        ("counted_at", opened.as_str()),
        (lot_field.as_str(), lot.as_str()),
        (counted.as_str(), "3"),
        ("lots/GONE-1/lot", "GONE-1"),
    ];
    let counted = send(&farm, "/places/F1/count", Uuid::new_v4(), &fields).await?;
    ensure!(counted.status == 303, "{}", counted.text);
    let counts = farm.get("/api/stock-counts").await;
    ensure!(counts["rows"][0]["rows"][0]["book_g"] == 3000, "{counts}");
    ensure!(grams_at(&farm, &lot, "F1").await == 2000);
    Ok(())
}

#[tokio::test]
async fn a_batch_is_made_like_another_moved_and_lost() -> Result<()> {
    let farm = Farm::new().await?;
    let like = farm.raw("GET", "/batches/new?like=B1", &[], Vec::new()).await;
    ensure!(like.status == 200 && like.text.contains("value=\"OY-260504\""), "{}", like.text);
    let first = farm.get("/api/batches/B1").await;
    let (strain, recipe) = (first["strain"].as_str().unwrap_or_default(), first["recipe"].as_str().unwrap_or_default());
    let batch = [
        ("batch", "OY-260504"),
        ("strain", strain),
        ("recipe", recipe),
        ("blocks", "40"),
        ("made_on", "2026-05-04"),
        ("origin", "made"),
    ];
    let many = [&batch[..3], &[("blocks", "99999999999")], &batch[4..]].concat();
    let refused = send(&farm, "/batches", Uuid::new_v4(), &many).await?;
    ensure!(refused.text.contains("id=\"blocks-wrong\""), "{}", refused.text);
    let made = send(&farm, "/batches", Uuid::new_v4(), &batch).await?;
    ensure!(made.status == 303, "{}", made.text);
    let path = "/batches/OY-260504";
    let room = farm.get("/api/rooms").await["rows"][0]["room"].as_str().unwrap_or_default().to_owned();
    let moved = [("room", room.as_str()), ("blocks", "40")];
    ensure!(send(&farm, &format!("{path}/move"), Uuid::new_v4(), &moved).await?.status == 303);
    let lost = [("blocks", "3"), ("reason", "Green mould")];
    ensure!(send(&farm, &format!("{path}/loss"), Uuid::new_v4(), &lost).await?.status == 303);
    let ended = send(&farm, &format!("{path}/end"), Uuid::new_v4(), &[("kind", "finished"), ("blocks", "38")]).await?;
    ensure!(ended.status >= 400 && ended.text.contains("value=\"38\""), "{}", ended.text);
    let batch = farm.get(&format!("/api{path}")).await;
    ensure!(batch["standing"] == 37 && batch["lost"] == 3 && batch["room"] == json!(room), "{batch}");
    Ok(())
}

#[tokio::test]
async fn a_week_that_is_over_is_closed_on_its_page() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(3000).await;
    let path = "/weeks/2026-W19/close";
    let early = send(&farm, path, Uuid::new_v4(), &[]).await?;
    ensure!(early.status == 409 && early.text.contains("It is not over yet."), "{}", early.text);
    farm.pass(TimeDelta::days(7));
    let week = farm.raw("GET", "/week?week=2026-W19", &[], Vec::new()).await.text;
    ensure!(week.contains(&format!("href=\"{path}\"")), "{week}");
    ensure!(send(&farm, path, Uuid::new_v4(), &[]).await?.status == 303);
    ensure!(farm.get("/api/reports/weeks/2026-W19").await["stage"] == "closed");
    Ok(())
}

#[tokio::test]
async fn what_was_done_about_a_problem_is_given_back_when_it_cannot_be_taken() -> Result<()> {
    let farm = Farm::bare().await?;
    let check = [("name", "Floor drains"), ("topic", "cleaning"), ("every_days", "7")];
    let key = Uuid::new_v4();
    ensure!(send(&farm, "/checks", key, &check).await?.status == 303);
    let again = send(&farm, "/checks", key, &[check[0], check[1], ("every_days", "9")]).await?;
    ensure!(again.status == 422 && again.text.contains("This form was saved already"), "{}", again.text);
    let page = farm.raw("GET", "/checks", &[], Vec::new()).await.text;
    let code = page.split("/checks/").find_map(|part| part.split_once("/done")).context("a check")?.0;
    let path = format!("/checks/{code}/done");
    let done = [("result", "not_good"), ("what_done", "Mopped\tagain, called the plumber")];
    let refused = send(&farm, &path, Uuid::new_v4(), &done).await?;
    ensure!(refused.status == 422 && refused.text.contains("called the plumber\""), "{}", refused.text);
    Ok(())
}

/// What a browser is told to keep, as it sends it back, and for how long.
fn kept(answer: &Answer) -> Vec<String> {
    let cookies = answer.headers.get_all("set-cookie").iter().filter_map(|c| c.to_str().ok());
    cookies.filter(|c| c.starts_with("gillbook-done=")).map(str::to_owned).collect()
}

#[tokio::test]
async fn what_was_done_is_said_once_and_what_was_refused_is_not() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(3000).await;
    let path = format!("/lots/{lot}/transfer");
    let with =
        |grams: &'static str| [("kind", "transfer"), ("from_place", "F1"), ("grams_g", grams), ("to_place", "VAN")];
    let refused = send(&farm, &path, Uuid::new_v4(), &with("9")).await?;
    ensure!(refused.status != 303 && kept(&refused).is_empty(), "{:?}", kept(&refused));
    let moved = send(&farm, &path, Uuid::new_v4(), &with("0.8")).await?;
    let cookie = kept(&moved).pop().context("nothing is passed on")?;
    ensure!(cookie.contains("HttpOnly") && cookie.contains("Max-Age=60"), "{cookie}");
    let passed_on = cookie.split(';').next().context("empty")?;
    let As::Cookie(signed_in) = &farm.owner else { anyhow::bail!("the owner has a cookie") };
    let browser = As::Cookie(format!("{signed_in}; {passed_on}"));
    let html = [("accept", "text/html,application/xhtml+xml")];
    let said = r#"<p class="done" role="status" tabindex="-1" autofocus>Moved.</p>"#;
    let address = moved.headers["location"].to_str()?.to_owned();
    for path in ["/assets/gillbook.css", &address] {
        let fetched = farm.ask(&browser, "GET", path, &[("accept", "*/*")], None).await;
        ensure!(kept(&fetched).is_empty() && !fetched.text.contains("class=\"done\""), "a script took it: {path}");
    }
    let page = farm.ask(&browser, "GET", &address, &html, None).await;
    ensure!(page.text.contains(said), "{}", page.text);
    ensure!(kept(&page).iter().all(|c| c.contains("Max-Age=0")) && kept(&page).len() == 1, "{:?}", kept(&page));
    let again = farm.raw("GET", &address, &[], Vec::new()).await;
    ensure!(!again.text.contains("class=\"done\""), "{}", again.text);
    let signed_out = farm.ask(&browser, "POST", "/sign-out", &html, None).await;
    ensure!(kept(&signed_out).iter().all(|c| c.contains("Max-Age=0")) && kept(&signed_out).len() == 1, "it is kept");
    // A form that was not taken because nobody is signed in has done nothing.
    let nobody = farm.ask(&As::Nobody, "POST", &path, &html, None).await;
    ensure!(nobody.status == 303 && kept(&nobody).is_empty(), "{:?}", kept(&nobody));
    let As::Cookie(signed_in) = farm.sign_in("ada").await else { anyhow::bail!("a cookie") };
    // What is no form of ours has no words.
    for made_up in ["/nowhere", "%3Cb%3E", ""] {
        let browser = As::Cookie(format!("{signed_in}; gillbook-done={made_up}"));
        let page = farm.ask(&browser, "GET", "/stock", &html, None).await;
        ensure!(page.status == 200 && !page.text.contains("class=\"done\""), "{made_up}: {}", page.text);
    }
    Ok(())
}
