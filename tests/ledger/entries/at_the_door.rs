//! Dockets: out, handed over, back.

use anyhow::Result;
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use serde_json::json;

use super::{ensure_sound, hand_over, send_out, stands, take_back, word};

#[tokio::test]
async fn goods_go_out_are_handed_over_and_come_back_in_this_order() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(2000).await;
    let order =
        json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 1000}]});
    farm.create("/api/orders", order).await;
    farm.ask(&farm.owner, "PUT", "/api/orders/O-1/set-aside", &[], Some(json!({}))).await.expect(200);
    farm.create("/api/dockets", json!({"order": "O-1", "van": "VAN"})).await;
    let earlier = farm.now() - TimeDelta::hours(1);
    let delivery = |at| json!({"taken_by": "Cook", "delivered_at": at});
    farm.post("/api/dockets/D-1/delivery", delivery(earlier)).await.ensure_problem(
        422,
        "invalid",
        Some("/delivered_at"),
    );
    farm.pass(TimeDelta::hours(2));
    farm.create("/api/dockets/D-1/delivery", delivery(farm.now())).await;
    let back = |at| json!({"lines": [{"line": 1, "grams_g": 100}], "reason": "Soft", "returned_at": at});
    let before = farm.now() - TimeDelta::hours(1);
    farm.post("/api/dockets/D-1/returns", back(before)).await.ensure_problem(422, "invalid", Some("/returned_at"));
    farm.create("/api/dockets/D-1/returns", back(farm.now())).await;
    Ok(())
}

#[tokio::test]
async fn goods_of_a_docket_leave_the_van_with_it_alone() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(5000).await;
    let (first, second) = (send_out(&farm, 1000, Some("VAN")).await, send_out(&farm, 600, Some("VAN")).await);
    farm.create("/api/places", json!({"place": "F2", "name": "Second", "kind": "fridge"})).await;
    let out = |kind: &str, grams: i64| {
        let mut body = json!({"kind": kind, "lot": lot, "from_place": "VAN", "grams_g": grams, "reason": "Said"});
        if kind == "transfer" {
            body["to_place"] = json!("F2");
        }
        body
    };
    for kind in ["transfer", "waste", "gift", "test", "trim", "home"] {
        let refused = farm.post("/api/movements", out(kind, 1)).await;
        refused.ensure_problem(409, "set-aside", None);
        assert!(refused.text.contains("1600 g of lot") && refused.text.contains("D-1, D-2"), "{}", refused.text);
    }
    let counted = json!({"place": "VAN", "lots": [{"lot": lot, "counted_g": 1599}]});
    farm.post("/api/stock-counts", counted).await.ensure_problem(409, "set-aside", None);
    // What is on no docket may go.
    let more = json!({"kind": "transfer", "lot": lot, "from_place": "F1", "to_place": "VAN", "grams_g": 200});
    let brought = word(&farm.create("/api/movements", more).await, "act_id");
    farm.create("/api/movements", out("transfer", 150)).await;
    take_back(&farm, &brought).await.ensure_problem(409, "set-aside", None);
    // The other docket's dispatch takes back its own grams.
    take_back(&farm, &word(&second, "act_id")).await.expect(201);
    assert_eq!(stands(&farm, &lot, "VAN").await, 1050);
    hand_over(&farm, &word(&first, "docket")).await;
    farm.create("/api/movements", out("transfer", 50)).await;
    ensure_sound(&farm).await
}

#[tokio::test]
async fn what_is_refused_whole_at_the_door_is_in_the_van_and_the_order_open_again() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(3000).await;
    let docket = send_out(&farm, 1000, Some("VAN")).await;
    let (code, order) = (word(&docket, "docket"), word(&docket, "order"));
    let nothing = json!({"taken_by": "Nobody there", "refused": [{"line": 1, "grams_g": 1000, "reason": "bruised"}]});
    let after = farm.create(&format!("/api/dockets/{code}/delivery"), nothing).await;
    assert_eq!((&after["net"], &after["lines"][0]["refused_g"]), (&json!("0.00"), &json!(1000)), "{after}");
    assert_eq!((stands(&farm, &lot, "VAN").await, stands(&farm, &lot, "PLUM").await), (1000, 0));
    let went = farm.get(&format!("/api/lots/{lot}/trace")).await["went_to"][0].clone();
    assert_eq!(
        (&went["grams_g"], &went["refused_g"], &went["refused_because"], &went["returned_g"]),
        (&json!(1000), &json!(1000), &json!("bruised"), &json!(0)),
        "{went}"
    );
    let page = farm.raw("GET", &format!("/dockets/{code}"), &[], Vec::new()).await.text;
    assert!(page.contains("Refused at the door") && !page.contains("Handed over"), "{page}");
    let status = async |order: &str| word(&farm.get(&format!("/api/orders/{order}")).await, "status");
    assert_eq!(status(&order).await, "confirmed");
    ensure_sound(&farm).await?;
    // Entered by mistake: taken back while the goods are in the van, and not once they have left it.
    let delivery = word(&after["delivery"], "act_id");
    take_back(&farm, &delivery).await.expect(201);
    assert_eq!(status(&order).await, "dispatched");
    let nothing = json!({"taken_by": "Nobody there", "refused": [{"line": 1, "grams_g": 1000, "reason": "bruised"}]});
    let again = farm.create(&format!("/api/dockets/{code}/delivery"), nothing).await;
    let home = json!({"kind": "transfer", "lot": lot, "from_place": "VAN", "to_place": "F1", "grams_g": 1000});
    farm.create("/api/movements", home).await;
    let gone = take_back(&farm, &word(&again["delivery"], "act_id")).await;
    gone.ensure_problem(409, "not-reversible", None);
    assert!(gone.text.contains("Bring it back into the van first"), "{}", gone.text);
    assert_eq!(status(&order).await, "confirmed");
    // Its docket says what was ordered, so the lines stay.
    let version = farm.get(&format!("/api/orders/{order}")).await["version"].to_string();
    let quoted = format!("\"{version}\"");
    let change = json!({"lines": [{"product": "OY", "grams_g": 700}]});
    let path = format!("/api/orders/{order}");
    let changed = farm.ask(&farm.owner, "PATCH", &path, &[("if-match", &quoted)], Some(change)).await;
    changed.ensure_problem(409, "closed", Some("/lines"));
    assert_eq!(farm.get(&format!("/api/dockets/{code}")).await["ordered"][0]["grams_g"], 1000);
    // It goes out anew, under a docket of its own.
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/set-aside"), &[], Some(json!({}))).await.expect(200);
    let second = farm.create("/api/dockets", json!({"order": order, "van": "VAN"})).await;
    take_back(&farm, &word(&again["delivery"], "act_id")).await.ensure_problem(409, "not-reversible", None);
    hand_over(&farm, &word(&second, "docket")).await;
    assert_eq!(stands(&farm, &lot, "PLUM").await, 1000);
    ensure_sound(&farm).await
}

#[tokio::test]
async fn what_came_home_refused_of_an_order_that_was_called_off_is_not_on_its_way() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(3000).await;
    let docket = send_out(&farm, 1000, Some("VAN")).await;
    let (code, order) = (word(&docket, "docket"), word(&docket, "order"));
    let nothing = json!({"taken_by": "Nobody there", "refused": [{"line": 1, "grams_g": 1000, "reason": "bruised"}]});
    let refused = farm.create(&format!("/api/dockets/{code}/delivery"), nothing).await;
    let version = farm.get(&format!("/api/orders/{order}")).await["version"].to_string();
    let quoted = format!("\"{version}\"");
    let path = format!("/api/orders/{order}");
    let off = Some(json!({"status": "cancelled"}));
    farm.ask(&farm.owner, "PATCH", &path, &[("if-match", &quoted)], off).await.expect(200);
    let back = take_back(&farm, &word(&refused["delivery"], "act_id")).await;
    back.ensure_problem(409, "not-reversible", None);
    assert!(back.text.contains("called off"), "{}", back.text);
    ensure_sound(&farm).await
}

/// An id is one entry's for good, also when the answer to it is forgotten.
#[tokio::test]
async fn the_id_of_another_kind_of_entry_is_not_in_the_book_already() -> Result<()> {
    let farm = Farm::new().await?;
    let weighing = Farm::weighing(700);
    let lot = farm.create("/api/weighings", weighing.clone()).await["lot"].clone();
    farm.store.prune_idempotency(farm.now() + TimeDelta::days(91)).await?;
    let waste = json!({"id": weighing["id"], "kind": "waste", "lot": lot, "from_place": "F1", "grams_g": 100, "reason": "Soft"});
    let refused = farm.post("/api/movements", waste).await;
    refused.ensure_problem(422, "key-reused", None);
    assert!(refused.text.contains("a weighing") && refused.text.contains("Make a new id"), "{}", refused.text);
    Ok(())
}
