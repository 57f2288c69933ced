//! The same by hand, on the pages.

use anyhow::{Result, ensure};
use gillbook_testkit::Farm;
use uuid::Uuid;

use super::{super::forms::send, confirmed, orders};

async fn page(farm: &Farm, path: &str) -> Result<String> {
    let page = farm.raw("GET", path, &[("accept", "text/html")], Vec::new()).await;
    ensure!(page.status == 200, "{path}: {} {}", page.status, page.text);
    Ok(page.text)
}

#[tokio::test]
async fn a_standing_order_is_taken_changed_rested_and_ended_on_pages() -> Result<()> {
    let farm = Farm::new().await?;
    ensure!(page(&farm, "/orders").await?.contains("/standing-orders"));
    ensure!(page(&farm, "/standing-orders/new").await?.contains("/standing-orders/new?customer=PLUM"));
    let address = "/standing-orders?customer=PLUM";
    let line = ("lines/OY/product", "OY");
    let slip = [
        ("customer", "PLUM"),
        ("every_weeks", "1"),
        ("from", "2026-05-05"),
        ("on_closed_day", "skip"),
        line,
        ("lines/OY/grams_g", "2,5"),
    ];
    let refused = send(&farm, address, Uuid::new_v4(), &slip).await?;
    ensure!(refused.status == 422 && refused.text.contains("Tick at least one"), "{}", refused.text);
    ensure!(refused.text.contains("value=\"2,5\""), "what was typed is kept: {}", refused.text);
    let mut form = slip.to_vec();
    form.extend([("weekdays", "tuesday"), ("weekdays", "friday"), ("note", "Back door")]);
    let key = Uuid::new_v4();
    for _ in 0..2 {
        let taken = send(&farm, address, key, &form).await?;
        ensure!(taken.status == 303 && taken.headers["location"] == "/standing-orders/SO-1", "{}", taken.text);
    }
    let one = page(&farm, "/standing-orders/SO-1").await?;
    ensure!(one.contains("every Tuesday and Friday") && one.contains("2.500 kg"), "{one}");
    ensure!(one.contains("/orders/O-1\">Tue\u{a0}5\u{a0}May\u{a0}2026: order O-1, confirmed"), "{one}");
    ensure!(page(&farm, "/orders").await?.contains("confirmed<br>standing"));
    ensure!(page(&farm, "/orders/O-1").await?.contains("/standing-orders/SO-1"));
    ensure!(page(&farm, "/standing-orders?q=plum").await?.contains("every Tuesday and Friday; next on"));
    let version = |n| ("version", n);
    let more = [version("1"), ("lines/line-1/product", "OY"), ("lines/line-1/grams_g", "4"), ("note", "")];
    let more = send(&farm, "/standing-orders/SO-1/lines", Uuid::new_v4(), &more).await?;
    ensure!(more.status == 303, "{}", more.text);
    ensure!(orders(&farm).await.iter().all(|(_, kg, _)| *kg == 4), "{:?}", orders(&farm).await);
    let days = [version("2"), ("weekdays", "tuesday"), ("every_weeks", "1"), ("on_closed_day", "day_before")];
    ensure!(send(&farm, "/standing-orders/SO-1/days", Uuid::new_v4(), &days).await?.status == 303);
    ensure!(confirmed(&farm).await == ["05", "12"]);
    let rest = [("from", "2026-05-11"), ("until", "2026-05-13"), ("reason", "Their holiday")];
    ensure!(send(&farm, "/standing-orders/SO-1/pause", Uuid::new_v4(), &rest).await?.status == 303);
    ensure!(confirmed(&farm).await == ["05"]);
    ensure!(page(&farm, "/standing-orders/SO-1").await?.contains("Their holiday"));
    ensure!(send(&farm, "/standing-orders/SO-1/resume", Uuid::new_v4(), &[]).await?.status == 303);
    ensure!(confirmed(&farm).await == ["05", "12"]);
    let closed = [("day", "2026-05-12"), ("name", "Fair")];
    let closed = send(&farm, "/closed-days", Uuid::new_v4(), &closed).await?;
    ensure!(closed.headers["location"].to_str()?.starts_with("/closed-days/2026"), "{}", closed.text);
    ensure!(confirmed(&farm).await == ["05", "11"]);
    ensure!(send(&farm, "/closed-days/2026-05-12/remove", Uuid::new_v4(), &[]).await?.status == 303);
    ensure!(confirmed(&farm).await == ["05", "12"]);
    let end = [version("5"), ("until", "2026-05-05")];
    ensure!(send(&farm, "/standing-orders/SO-1/end", Uuid::new_v4(), &end).await?.status == 303);
    ensure!(confirmed(&farm).await == ["05"]);
    Ok(())
}
