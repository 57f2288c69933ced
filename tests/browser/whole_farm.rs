//! A whole farm, from an empty database, by its pages alone: opened, set up, and lived until its first week is closed.

use anyhow::{Context, Result, ensure};
use chrono::{DateTime, Datelike, Days, NaiveDate, TimeDelta, Utc};
use gillbook_store::check::check;
use gillbook_testkit::Farm;
use gillbook_tests::serve;
use serde_json::Value;

use crate::hand::{Effort, Hand};

/// A farm that is lived at a phone.
struct Lived {
    hand: Hand,
    farm: Farm,
}

impl Lived {
    /// The day so many days from now, as a form has it.
    fn day(&self, days: i64) -> String {
        (self.farm.now() + TimeDelta::days(days)).format("%Y-%m-%d").to_string()
    }

    /// The first lot of a strain.
    async fn lot(&self, strain: &str) -> Result<String> {
        let lots = self.farm.get("/api/lots").await;
        let mut codes = lots["rows"].as_array().context("rows")?.iter().filter_map(|l| l["lot"].as_str());
        Ok(codes.find(|code| code.starts_with(strain)).context("a lot")?.to_owned())
    }

    /// Steps of a list: its page, then a form to add one.
    async fn add(&mut self, list: &str, fields: &[(&str, &str)]) -> Result<()> {
        self.hand.walk(&["/settings", list, &format!("{list}/new")]).await?;
        self.hand.does(list, fields).await
    }

    /// Opens the farm and enters what it is made of.
    async fn opens(&mut self, code: &str) -> Result<()> {
        let owner = [
            ("code", code),
            ("name", "Underhill Mushrooms"),
            ("zone", "UTC"),
            ("currency", "EUR"),
            ("owner.name", "Ada Birk"),
            ("owner.initials", "AB"),
            ("owner.sign_in_name", "ada"),
            ("owner.passphrase", "four words do well"),
        ];
        self.hand.does("/setup", &owner).await?;
        // The page that is led to says what comes next.
        ensure!(self.hand.place().await? == "/start", "{}", self.hand.place().await?);
        self.hand.follow("/strains/examples").await?;
        self.hand.does("/strains/examples", &[("strains", "=OY"), ("strains", "=SH"), ("strains", "=LM")]).await?;
        let recipe = [
            ("name", "Oak"),
            ("recipe", "OAK"),
            ("block_wet_g", "4200"),
            ("block_dry_g", "2000"),
            ("block_cost", "2.95"),
        ];
        self.add("/recipes", &recipe).await?;
        let room = [
            ("name", "Fruiting"),
            ("room", "FR1"),
            ("kind", "=fruiting"),
            ("capacity_blocks", "200"),
            ("area_m2", "20"),
        ];
        self.add("/rooms", &room).await?;
        let crates =
            [("name", "Blue"), ("crate", "BLUE"), ("kind", "=crate"), ("tare_dry_g", "1450"), ("tare_wet_g", "1490")];
        self.add("/crates", &crates).await?;
        let fridge = [
            ("name", "Walk-in"),
            ("place", "F1"),
            ("kind", "=fridge"),
            ("limit.name", "Our rule"),
            ("limit.rule_text", "As the district's rule for fresh produce says."),
            ("limit.warm_c", "5"),
            ("limit.cold_c", "0"),
        ];
        self.add("/places", &fridge).await?;
        self.hand.spent("from the code to a fridge");
        Ok(())
    }

    /// Lots that were in the fridge before the farm was opened.
    async fn has_stock(&mut self) -> Result<()> {
        for days in 1..=7 {
            self.hand.walk(&["/stock", "/lots/opening"]).await?;
            let day = self.day(-days);
            let lot = [("strain", "=LM"), ("grade", "=A"), ("harvest_day", &day), ("place", "=F1"), ("grams_g", "0.6")];
            self.hand.does("/lots", &lot).await?;
        }
        self.hand.spent("seven lots that were there already");
        Ok(())
    }

    /// Three batches; the last is like the one before.
    async fn makes_batches(&mut self) -> Result<Effort> {
        let weeks_ago = self.day(-30);
        for (batch, strain) in [("OY-1", "=OY"), ("SH-1", "=SH")] {
            self.hand.walk(&["/blocks", "/batches/new"]).await?;
            let fields =
                [("batch", batch), ("strain", strain), ("recipe", "=OAK"), ("blocks", "24"), ("made_on", &weeks_ago)];
            self.hand.does("/batches", &fields).await?;
            self.hand.does(&format!("/batches/{batch}/move"), &[("room", "=FR1")]).await?;
            self.hand.spent("a batch typed, and moved to its room");
        }
        self.hand.follow("/blocks").await?;
        self.hand.spent("to the blocks");
        self.hand.walk(&["/batches/SH-1", "/batches/new?like=SH-1"]).await?;
        self.hand.send("/batches").await?;
        Ok(self.hand.spent("a batch like the last"))
    }

    async fn weighs(&mut self) -> Result<Effort> {
        self.hand.follow("/weigh").await?;
        let weighings = [
            ("OY-1", "446"),
            ("OY-1", "395"),
            ("OY-1", "381"),
            ("OY-1", "405"),
            ("OY-1", "333"),
            ("SH-1", "410"),
            ("SH-1", "377"),
            ("SH-1", "298"),
            ("SH-1", "312"),
            ("SH-1", "290"),
        ];
        let mut from = "";
        for (batch, digits) in weighings {
            if from != batch {
                self.hand.touch("#source").await?;
                self.hand.touch(&format!("#batches [data-batch='{batch}']")).await?;
                from = batch;
            }
            for digit in digits.chars() {
                self.hand.touch(&format!("#pad:not([data-resting]) [data-digit='{digit}']")).await?;
            }
            self.hand.touch("#keep:not(:disabled)").await?;
            // Nobody touches through the flip that says that it is kept.
            self.hand.phone.page.wait().for_element(fantoccini::Locator::Css("#pad:not([data-resting])")).await?;
            self.hand.phone.page.wait().for_element(fantoccini::Locator::Css("#flip[hidden]")).await?;
        }
        let kept = fantoccini::Locator::Css("#last li");
        self.hand.phone.page.wait().for_element(kept).await?;
        Ok(self.hand.spent("ten weighings"))
    }

    /// What is sold, at what price, to whom, and what it is carried in.
    async fn sells(&mut self) -> Result<()> {
        for (name, code) in [("Van", "=van"), ("Stall", "=stall")] {
            self.add("/places", &[("name", name), ("place", &name.to_uppercase()), ("kind", code)]).await?;
        }
        self.add("/price-lists", &[("name", "Trade"), ("price_list", "TRADE")]).await?;
        for (name, code, strain) in [("Oyster", "OYSTER", "=OY"), ("Shiitake", "SHII", "=SH"), ("Either", "MIX", "=OY")]
        {
            let product =
                [("name", name), ("product", code), ("strains", strain), ("least_grade", "=B"), ("form", "=fresh")];
            self.add("/products", &product).await?;
            let price = [("price_list", "=TRADE"), ("amount", "17.50"), ("unit", "=kg")];
            self.hand.does(&format!("/products/{code}/price"), &price).await?;
            let days = [("packaging", "=open"), ("days", "9")];
            self.hand.does(&format!("/products/{code}/best-before"), &days).await?;
        }
        for (name, code, kind) in
            [("The Plum", "PLUM", "=restaurant"), ("Corner shop", "SHOP", "=shop"), ("Saturday", "SATURDAY", "=market")]
        {
            self.add("/customers", &[("name", name), ("customer", code), ("kind", kind), ("price_list", "=TRADE")])
                .await?;
        }
        self.hand.spent("products, prices and customers");
        Ok(())
    }

    /// Four orders. The first is typed; of the second the page knows what they usually take.
    async fn takes_orders(&mut self) -> Result<Effort> {
        let lines = [("lines/OYSTER/grams_g", "2"), ("lines/SHII/grams_g", "1.5"), ("lines/MIX/grams_g", "0.5")];
        self.hand.walk(&["/orders", "/orders/new", "/orders/new?customer=PLUM"]).await?;
        self.hand.does("/orders?customer=PLUM", &lines).await?;
        let typed = self.hand.spent("an order of three lines, typed");
        ensure!(typed.touches <= 12, "{typed:?}");
        self.hand.walk(&["/orders", "/orders/new", "/orders/new?customer=PLUM"]).await?;
        self.hand.send("/orders?customer=PLUM").await?;
        let known = self.hand.spent("an order of three lines, as usual");
        for _ in 0..2 {
            self.hand.walk(&["/orders", "/orders/new", "/orders/new?customer=SHOP"]).await?;
            self.hand.does("/orders?customer=SHOP", &lines[1..2]).await?;
        }
        // One of them was a mistake.
        let order = self.hand.place().await?;
        self.hand.follow(&format!("{order}/change")).await?;
        self.hand.send(&format!("{order}/cancel")).await?;
        self.hand.spent("two more, one of them called off");
        Ok(known)
    }

    async fn packs(&mut self, lot: &str) -> Result<()> {
        self.hand.walk(&["/stock", &format!("/lots/{lot}"), &format!("/lots/{lot}/pack")]).await?;
        let goes_in = format!("lots_in/{lot}/grams_g");
        let packed = [
            (goes_in.as_str(), "1"),
            ("lots_out/0/grams_g", "0.95"),
            ("lots_out/0/grade", "=B"),
            ("lots_out/0/packaging", "=vented"),
            ("trim_g", "0.05"),
        ];
        self.hand.does(&format!("/lots/{lot}/pack"), &packed).await?;
        self.hand.spent("a packing");
        Ok(())
    }

    /// Three orders set aside, sent out and handed over; of the first a line is refused, and something comes back.
    async fn delivers(&mut self) -> Result<()> {
        for n in 1..=3 {
            self.hand.walk(&["/orders", &format!("/orders/O-{n}")]).await?;
            self.hand.send(&format!("/orders/O-{n}/set-aside")).await?;
            self.hand.send(&format!("/orders/O-{n}/dispatch")).await?;
            self.hand.spent("an order set aside and sent out");
            let docket = self.hand.place().await?;
            let refused = [
                ("taken_by", "Cook"),
                ("temperature_c", "4.5"),
                ("refused/1/grams_g", "0.3"),
                ("refused/1/reason", "bruised"),
                ("paid.amount", "5"),
            ];
            if n == 1 {
                self.hand.draws_on(".drawing canvas").await?;
            }
            self.hand.does(&format!("{docket}/delivery"), if n == 1 { &refused } else { &refused[..2] }).await?;
            self.hand.spent("a docket handed over");
        }
        let told = self.farm.get("/api/dockets/D-1").await;
        ensure!(told["delivery"]["signed"] == true && told["lines"][0]["refused_because"] == "bruised", "{told}");
        let drawn = self.farm.raw("GET", "/api/dockets/D-1/signature", &[], Vec::new()).await.text;
        ensure!(drawn.matches('L').count() >= 2, "{drawn}");
        self.farm.pass(TimeDelta::minutes(30));
        self.hand.walk(&["/orders", "/orders/O-1", "/dockets/D-1", "/dockets/D-1/return"]).await?;
        self.hand.does("/dockets/D-1/return", &[("lines/2/grams_g", "0.25"), ("reason", "Bruised")]).await?;
        self.hand.spent("a return");
        Ok(())
    }

    async fn throws_away(&mut self, lot: &str) -> Result<Effort> {
        self.hand.walk(&["/stock"]).await?;
        self.hand.spent("to the stock");
        self.hand.walk(&[&format!("/lots/{lot}"), &format!("/lots/{lot}/move")]).await?;
        self.hand.does(&format!("/lots/{lot}/take-out"), &[("kind", "=waste"), ("reason", "Slimy")]).await?;
        Ok(self.hand.spent("waste of a lot"))
    }

    async fn goes_to_market(&mut self, lot: &str) -> Result<()> {
        self.hand.walk(&["/stock", "/market-days", "/market-days/new"]).await?;
        let taken = format!("taken/{lot}@F1/grams_g");
        self.hand.does("/market-days", &[("float_amount", "50"), (&taken, "2")]).await?;
        let day = self.hand.place().await?;
        self.farm.pass(TimeDelta::hours(5));
        let (back, tasted) = (format!("lots/{lot}/back_g"), format!("lots/{lot}/tasted_g"));
        let cash = [(back.as_str(), "0.4"), (&tasted, "0.1"), ("cash", "78"), ("fee", "5")];
        self.hand.does(&format!("{day}/close"), &cash).await?;
        self.hand.spent("a market day, from loading to cash");
        Ok(())
    }

    /// Counts the fridge: some lots are less by what dried, the others are as booked.
    async fn counts(&mut self) -> Result<Effort> {
        self.hand.walk(&["/stock", "/places/F1/count"]).await?;
        let lots = self.farm.get("/api/stock").await;
        let here: Vec<&Value> =
            lots["rows"].as_array().context("rows")?.iter().filter(|r| r["place"] == "F1").collect();
        for (n, row) in here.iter().enumerate() {
            let field = format!("lots/{}/counted_g", row["lot"].as_str().context("a lot")?);
            if n % 4 == 0 {
                let counted = row["grams_g"].as_i64().context("grams")? - 12;
                let typed = format!("{}.{:03}", counted / 1000, counted % 1000);
                self.hand.fill("/places/F1/count", &[(&field, &typed)]).await?;
            } else {
                self.hand.touch(&format!("[data-fills='{field}']")).await?;
            }
        }
        self.hand.send("/places/F1/count").await?;
        ensure!(here.len() >= 10, "{lots}");
        Ok(self.hand.spent(&format!("a count of {} lots", here.len())))
    }

    async fn closes_the_week(&mut self, week: &str) -> Result<()> {
        self.hand.follow("/week").await?;
        self.hand.follow(&format!("/week?week={week}")).await?;
        self.hand.follow(&format!("/weeks/{week}/close")).await?;
        self.hand.send(&format!("/weeks/{week}/close")).await?;
        self.hand.spent("the week closed");
        Ok(())
    }
}

/// Ten in the morning of the Tuesday after an instant, so that the days that are lived lie in one week.
fn tuesday(now: DateTime<Utc>) -> DateTime<Utc> {
    let to_monday = 7 - u64::from(now.weekday().num_days_from_monday());
    let day: NaiveDate = now.date_naive() + Days::new(to_monday + 1);
    day.and_hms_opt(10, 0, 0).unwrap_or_default().and_utc()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_whole_farm_is_lived_on_its_pages() -> Result<()> {
    let (farm, code) = Farm::unopened().await?;
    // The pages show the days of the browser's clock.
    farm.pass(Utc::now() - farm.now());
    let home = format!("http://{}", serve(farm.router.clone()).await?);
    let hand = Hand::at(&format!("{home}/setup")).await?;
    let mut lived = Lived { hand, farm };
    lived.opens(&code).await?;
    let like = lived.makes_batches().await?;
    lived.farm.owner = lived.farm.sign_in("ada").await;
    let weighed = lived.weighs().await?;
    // What follows is lived in one week, whatever day it is.
    let to_tuesday = tuesday(lived.farm.now()) - lived.farm.now();
    lived.farm.pass(to_tuesday);
    lived.has_stock().await?;
    lived.sells().await?;
    let order = lived.takes_orders().await?;
    let (oyster, shiitake) = (lived.lot("OY").await?, lived.lot("SH").await?);
    lived.packs(&shiitake).await?;
    lived.delivers().await?;
    lived.goes_to_market(&oyster).await?;
    let counted = lived.counts().await?;
    let old = lived.lot("LM").await?;
    let waste = lived.throws_away(&old).await?;
    let week = lived.farm.now().format("%G-W%V").to_string();
    lived.farm.pass(TimeDelta::days(7));
    lived.closes_the_week(&week).await?;

    for (what, spent, most) in [
        ("a batch", like, 4),
        ("an order", order, 12),
        ("waste", waste, 5),
        ("ten weighings", weighed, 60),
        ("a count", counted, 20),
    ] {
        ensure!(spent.touches <= most, "{what}: {spent:?}, at most {most} touches");
    }
    ensure!(counted.touches + counted.keys <= 60, "digits and all: {counted:?}");
    // The pages and the interface tell the same, and the book is in order.
    let report = lived.farm.get(&format!("/api/reports/weeks/{week}")).await;
    let total = |name: &str| report["now"]["total"][name].as_i64().with_context(|| format!("{name}: {report}"));
    // What the scale showed less ten crates, picked in the week before, and what was there when the farm was opened.
    let came_in = [("opening_g", 36_470 - 10 * 1450), ("entered_g", 7 * 600)];
    // Of two restaurant orders and one of the shop, less what was refused and came back; and at the market, less what came home and was tasted.
    let sold = 2 * 4000 + 1500 - 300 - 250 + 2000 - 400 - 100;
    let went_out = [("sold_g", sold), ("given_g", 100), ("trimmed_g", 50), ("wasted_g", 600 - 12 + 250)];
    for (name, grams) in came_in.into_iter().chain(went_out) {
        assert_eq!(total(name)?, grams, "{name}: {report}");
    }
    // Of ten lots every fourth was counted 12 g less.
    assert_eq!(total("water_loss_g")? + total("unexplained_g")?, 36, "{report}");
    let left = came_in.iter().map(|(_, g)| g).sum::<i64>() - went_out.iter().map(|(_, g)| g).sum::<i64>() - 36;
    assert_eq!(total("closing_g")?, left, "{report}");
    let shown = lived.hand.sees().await?;
    ensure!(shown.contains("closed") && shown.contains("10.45"), "{shown}");
    let orders = lived.farm.get("/api/orders").await;
    let statuses: Vec<&str> =
        orders["rows"].as_array().context("rows")?.iter().filter_map(|o| o["status"].as_str()).collect();
    assert_eq!(statuses.iter().filter(|s| **s == "cancelled").count(), 1, "{orders}");
    assert_eq!(lived.farm.get("/api/weighings?limit=50").await["rows"].as_array().map(Vec::len), Some(10));
    assert_eq!(check(&lived.farm.admin.clone().username("gillbook_audit")).await?, []);
    lived.hand.phone.close().await
}
