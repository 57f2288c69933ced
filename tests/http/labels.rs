//! Labels of lots: what people read on them, and what machines do.

use anyhow::{Context, Result, ensure};
use base64::{Engine, prelude::BASE64_STANDARD};
use gillbook_testkit::{As, Farm};
use gillbook_tests::{python, serve};
use serde_json::{Value, json};

/// The first page of a document as a picture, and its text.
pub(crate) fn printed(name: &str, pdf: &[u8]) -> Result<(Vec<u8>, String)> {
    let file = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("{name}.pdf"));
    std::fs::write(&file, pdf)?;
    let text = std::process::Command::new("pdftotext").arg("-layout").arg(&file).arg("-").output()?;
    let draw = std::process::Command::new("pdftoppm")
        .args(["-r", "300", "-png", "-singlefile"])
        .arg(&file)
        .arg(file.with_extension(""))
        .status()?;
    ensure!(draw.success(), "{name} cannot be drawn");
    Ok((std::fs::read(file.with_extension("png"))?, String::from_utf8(text.stdout)?))
}

/// What a reader and a checker that are not ours make of the codes in a picture.
fn codes(picture: &[u8]) -> Result<Vec<Value>> {
    let read = python("label_codes.py", &BASE64_STANDARD.encode(picture))?;
    ensure!(read.status.success(), "{}", String::from_utf8_lossy(&read.stderr));
    Ok(serde_json::from_slice(&read.stdout)?)
}

pub(crate) async fn pdf(farm: &Farm, path: &str) -> Result<Vec<u8>> {
    gillbook::notices::choose_crypto();
    let home = serve(farm.router.clone()).await?;
    let As::Cookie(cookie) = &farm.owner else { unreachable!("the owner is a person") };
    let asked = reqwest::Client::new().get(format!("http://{home}{path}")).header("cookie", cookie);
    let answer = asked.send().await?.bytes().await?;
    ensure!(answer.starts_with(b"%PDF"), "{path}: {}", String::from_utf8_lossy(&answer));
    Ok(answer.to_vec())
}

/// A crate's product with a number, and one in packs without.
async fn products(farm: &Farm) {
    for (code, pack_g, gtin) in [("CRATE", None, Some("99521234543216")), ("PUN", Some(150), None)] {
        let new = json!({"product": code, "name": "Grey oyster, loose", "strains": ["OY"], "least_grade": "B", "pack_g": pack_g, "tax_percent": "5.5", "gtin": gtin});
        farm.create("/api/products", new).await;
    }
}

#[tokio::test]
async fn what_machines_read_on_a_label_is_what_it_says() -> Result<()> {
    let farm = Farm::new().await?;
    products(&farm).await;
    let lot = farm.lot_of(2000).await;
    let of_lot = farm.get(&format!("/api/lots/{lot}")).await;
    let (harvested, best_before) = (of_lot["harvest_day"].as_str().context("a day")?, of_lot["best_before"].as_str());
    let short = |day: &str| day[2..].replace('-', "");

    let path = format!("/api/lots/{lot}/label?product=CRATE&net_g=1250");
    for (layout, symbols) in [("roll", vec!["]d2"]), ("sheet", vec!["]C1", "]C1", "]d2"])] {
        let (picture, text) =
            printed(&format!("label-{layout}"), &pdf(&farm, &format!("{path}&layout={layout}")).await?)?;
        for needed in ["Grey oyster", "1.250 kg", &lot, "(01)99521234543216", "(3103)001250", &format!("(10){lot}")] {
            ensure!(text.contains(needed), "{layout}: {needed}: {text}");
        }
        let found = codes(&picture)?;
        let mut read: Vec<&str> = found.iter().filter_map(|code| code["symbology"].as_str()).collect();
        read.sort_unstable();
        ensure!(read == symbols, "{layout}: {found:?}");
        let all = found.iter().find(|code| code["symbology"] == "]d2").context("the two-dimensional one")?;
        let mut expected = json!({"01": "99521234543216", "3103": "1.250", "13": harvested, "10": lot});
        let mut parts = vec!["01995212345432163103001250".to_owned(), format!("13{}", short(harvested))];
        if let Some(day) = best_before {
            expected["15"] = json!(day);
            parts.push(format!("15{}", short(day)));
        }
        parts.push(format!("10{lot}"));
        let data = parts.concat();
        ensure!(all["elements"] == expected, "{all}");
        ensure!(all["data"] == data, "{all} {data}");
        // Two linear codes hold the same between them.
        let mut lines: Vec<&str> =
            found.iter().filter(|c| c["symbology"] == "]C1").filter_map(|c| c["data"].as_str()).collect();
        lines.sort_unstable();
        ensure!(lines.is_empty() || lines.concat() == data, "{lines:?}");
    }
    Ok(())
}

#[tokio::test]
async fn without_a_number_the_code_is_the_lots_own_and_the_label_says_no_weight_it_does_not_know() -> Result<()> {
    let farm = Farm::new().await?;
    products(&farm).await;
    let lot = farm.lot_of(2000).await;
    let (picture, text) = printed("label-plain", &pdf(&farm, &format!("/api/lots/{lot}/label")).await?)?;
    let found = codes(&picture)?;
    ensure!(found.len() == 1 && found[0]["data"] == json!(lot) && found[0]["elements"].is_null(), "{found:?}");
    ensure!(text.contains(&lot) && !text.contains(" kg") && !text.contains("(10)"), "{text}");
    let (picture, text) =
        printed("label-punnet", &pdf(&farm, &format!("/api/lots/{lot}/label?product=PUN&copies=3")).await?)?;
    ensure!(text.matches("0.150 kg").count() == 3 && text.matches('\u{c}').count() == 3, "three pages: {text}");
    ensure!(codes(&picture)?[0]["data"] == json!(lot));
    Ok(())
}

/// The longest that can be entered: a label is one label, and what it is for stands on it.
#[tokio::test]
async fn long_names_and_addresses_leave_the_lot_and_the_code_on_the_label() -> Result<()> {
    let farm = Farm::new().await?;
    let address = json!({"address": "Old Mill Lane, behind the second barn on the left. ".repeat(19), "storage_line": "Keep cold. ".repeat(18).trim()});
    farm.ask(&farm.owner, "PATCH", "/api/farm", &[("if-match", "\"1\"")], Some(address)).await.expect(200);
    let new = json!({"product": "LONG", "name": "Grey oyster of the north house, hand cut ".repeat(4).trim(), "strains": ["OY"], "least_grade": "B", "tax_percent": "5.5", "gtin": "99521234543216"});
    farm.create("/api/products", new).await;
    let lot = farm.lot_of(2000).await;
    for (layout, pages) in [("roll", 3), ("sheet", 1)] {
        let path = format!("/api/lots/{lot}/label?product=LONG&net_g=1250&copies=3&layout={layout}");
        let (picture, text) = printed(&format!("label-long-{layout}"), &pdf(&farm, &path).await?)?;
        ensure!(text.matches('\u{c}').count() == pages, "{layout}: {text}");
        ensure!(text.matches(&format!("Lot {lot}")).count() == 3, "{layout}: {text}");
        ensure!(codes(&picture)?.iter().any(|code| code["elements"]["10"] == json!(lot)), "{layout}");
    }
    Ok(())
}

#[tokio::test]
async fn what_a_label_cannot_say_is_refused_by_its_field() -> Result<()> {
    let farm = Farm::new().await?;
    products(&farm).await;
    let lot = farm.lot_of(2000).await;
    let other =
        json!({"product": "LIONS", "name": "Lion's mane", "strains": ["LM"], "least_grade": "B", "tax_percent": "5.5"});
    farm.create("/api/products", other).await;
    for (query, status, slug, pointer) in [
        ("product=LIONS", 422, "invalid", Some("product")),
        ("product=NONE", 404, "not-found", None),
        ("product=CRATE", 422, "invalid", Some("net_g")),
        ("product=PUN&net_g=1250", 422, "invalid", Some("net_g")),
        ("net_g=0", 422, "invalid", Some("net_g")),
        ("net_g=1000000", 422, "invalid", Some("net_g")),
        ("copies=0", 422, "invalid", Some("copies")),
        ("copies=101", 422, "invalid", Some("copies")),
    ] {
        let answer = farm.ask(&farm.owner, "GET", &format!("/api/lots/{lot}/label?{query}"), &[], None).await;
        answer.ensure_problem(status, slug, pointer);
    }
    farm.ask(&farm.owner, "GET", "/api/lots/OY-1/label", &[], None).await.ensure_problem(404, "not-found", None);
    // A number whose last digit does not check the others is refused at birth.
    for gtin in ["09521234543214", "1234", "0952123454321x"] {
        let new = json!({"product": "BAD", "name": "Bad", "strains": ["OY"], "least_grade": "B", "tax_percent": "5.5", "gtin": gtin});
        farm.post("/api/products", new).await.ensure_problem(422, "invalid", Some("/gtin"));
    }
    let typed =
        farm.raw("GET", &format!("/lots/{lot}/label?product=&kg=a+lot&copies=2&layout=roll"), &[], Vec::new()).await;
    ensure!(
        typed.status == 422 && typed.text.contains("Type kilograms") && typed.text.contains("value=\"a lot\""),
        "{}",
        typed.text
    );
    let page = farm.raw("GET", &format!("/lots/{lot}/label"), &[], Vec::new()).await.text;
    ensure!(page.contains("CRATE") && !page.contains("LIONS"), "{page}");
    let labels = pdf(&farm, &format!("/lots/{lot}/label?product=CRATE&kg=1,25&copies=2&layout=sheet")).await?;
    ensure!(printed("label-form", &labels)?.1.matches("1.250 kg").count() == 2);
    Ok(())
}
