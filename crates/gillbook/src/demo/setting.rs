//! Who and what the demo's farm is. All of it is invented.

use chrono_tz::Tz;
use serde_json::{Value, json};

pub(super) const FARM: &str = "Lantern Hollow Mushrooms";
pub(super) const ZONE: Tz = Tz::Europe__Paris;
pub(super) const CURRENCY: &str = "EUR";
/// Relative humidity in the fridge, per cent.
pub(super) const FRIDGE_HUMIDITY_PERCENT: f64 = 90.0;
/// Name, initials, sign-in name.
pub(super) const OWNER: (&str, &str, &str) = ("Mirel Tanavo", "MT", "mirel");
/// Name, initials, role, sign-in name.
pub(super) const PEOPLE: [(&str, &str, &str, &str); 4] = [
    ("Jonna Pelt", "JP", "picker", "jonna"),
    ("Osk Ferrin", "OF", "driver", "osk"),
    ("Vera Lindqua", "VL", "verifier", "vera"),
    ("Bo Castell", "BC", "bookkeeper", "bo"),
];

/// The sign-in name of the one who countersigns.
pub(super) const VERIFIER: &str = PEOPLE[2].3;

/// The checks book: code, name, topic, days.
pub(super) const CHECKS: [(&str, &str, &str, u32); 5] = [
    ("FLOOR", "Packing corner washed down", "cleaning", 1),
    ("TRAPS", "Fly traps and door seals looked at", "pests", 7),
    ("SCALE", "Scale against the 2 kg weight", "scale", 7),
    ("WATER", "Water filter looked at", "water", 14),
    ("ICE", "Fridge probe in melting ice", "thermometer", 28),
];

/// A strain and its rhythm.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rhythm {
    pub code: &'static str,
    pub name: &'static str,
    pub species: &'static str,
    pub latin: &'static str,
    pub lowest_safe_c: f64,
    /// Blocks made every week.
    pub blocks: i32,
    /// Fresh grams a block, by flush.
    pub flushes_g: &'static [f64],
    pub first_day: i64,
    pub interval: i64,
    /// How many times the published rate it truly loses water in the demo's boxes.
    pub loss_factor: f64,
    /// Days in incubation.
    pub incubation: i64,
    pub trim: f64,
    /// Of a kilogram, without tax.
    pub price: &'static str,
    /// Of a kilogram at the stall, with tax.
    pub stall_price: &'static str,
    /// (°C, days) in open crates, and the factor that vented packs add.
    pub life: [(f64, f64); 4],
}

/// Four strains with their own rhythms. Lives are examples to be replaced by what the farm's own customers see.
pub(super) const STRAINS: [Rhythm; 4] = [
    Rhythm {
        code: "OY",
        name: "Grey oyster",
        species: "Oyster mushroom",
        latin: "Pleurotus ostreatus",
        lowest_safe_c: 0.0,
        blocks: 22,
        flushes_g: &[660.0, 340.0],
        first_day: 16,
        interval: 11,
        loss_factor: 0.3,
        incubation: 14,
        trim: 0.09,
        price: "14.50",
        stall_price: "15.50",
        life: [(1.0, 10.0), (4.0, 7.0), (10.0, 3.5), (20.0, 1.5)],
    },
    Rhythm {
        code: "KO",
        name: "King oyster",
        species: "King oyster mushroom",
        latin: "Pleurotus eryngii",
        lowest_safe_c: 0.0,
        blocks: 9,
        flushes_g: &[640.0],
        first_day: 24,
        interval: 14,
        loss_factor: 0.2,
        incubation: 18,
        trim: 0.16,
        price: "18.00",
        stall_price: "19.00",
        life: [(1.0, 18.0), (4.0, 13.0), (10.0, 6.0), (20.0, 2.5)],
    },
    Rhythm {
        code: "LM",
        name: "Lion's mane",
        species: "Lion's mane",
        latin: "Hericium erinaceus",
        lowest_safe_c: 0.0,
        blocks: 10,
        flushes_g: &[520.0, 230.0],
        first_day: 20,
        interval: 13,
        loss_factor: 0.35,
        incubation: 14,
        trim: 0.06,
        price: "24.00",
        stall_price: "25.50",
        life: [(1.0, 11.0), (4.0, 8.0), (10.0, 4.0), (20.0, 1.5)],
    },
    Rhythm {
        code: "SH",
        name: "Shiitake",
        species: "Shiitake",
        latin: "Lentinula edodes",
        lowest_safe_c: 0.0,
        blocks: 9,
        flushes_g: &[420.0, 290.0, 180.0],
        first_day: 61,
        interval: 15,
        loss_factor: 0.25,
        incubation: 58,
        trim: 0.19,
        price: "19.50",
        stall_price: "20.50",
        life: [(1.0, 16.0), (4.0, 12.0), (10.0, 6.5), (20.0, 3.0)],
    },
];

/// Code, name, day of the week that they are served (Monday is 0), least days.
pub(super) const RESTAURANTS: [(&str, &str, u32, i32); 12] = [
    ("COPPER", "The Copper Ladle", 1, 2),
    ("NETTLE", "Nettle & Salt", 1, 3),
    ("TWOBRO", "Two Brothers Kitchen", 1, 2),
    ("QUINCE", "Quince Yard", 1, 2),
    ("LOWDEN", "Lowden House", 3, 3),
    ("PLUM", "Plum Door", 3, 2),
    ("FENNEL", "Fennel Street Table", 3, 2),
    ("ARBOUR", "Arbour Bistro", 3, 3),
    ("SALTPAN", "Salt Pan", 4, 2),
    ("GANTRY", "The Gantry", 4, 2),
    ("MOSS", "Moss & Ember", 4, 4),
    ("OLDPRESS", "Old Press Inn", 4, 2),
];

pub(super) const SHOPS: [(&str, &str); 2] = [("GREENBOX", "Green Box Grocers"), ("CORNER", "Corner Larder")];

/// Everything that is set up before the first day, in order: path and body.
pub(super) fn set_up() -> Vec<(&'static str, Value)> {
    let mut posts: Vec<(&'static str, Value)> = PEOPLE
        .iter()
        .map(|(name, initials, role, sign_in)| {
            ("/api/people", json!({"name": name, "initials": initials, "role": role, "sign_in_name": sign_in, "passphrase": super::PASSPHRASE}))
        })
        .collect();
    posts.push(("/api/recipes", json!({
        "recipe": "OAKBRAN", "name": "Oak sawdust with bran", "block_wet_g": 4200, "block_dry_g": 2000, "block_cost": "2.95",
        "ingredients": [
            {"name": "Oak sawdust pellets", "wet_g": 1650, "dry_share": 0.92, "price_per_kg": "0.42"},
            {"name": "Wheat bran", "wet_g": 550, "dry_share": 0.88, "price_per_kg": "0.55"},
            {"name": "Water", "wet_g": 2000, "dry_share": 0, "price_per_kg": "0.00"},
        ],
    })));
    posts.push(("/api/rooms", json!({"room": "INC", "name": "Incubation room", "kind": "incubation", "capacity_blocks": 260, "area_m2": 14.0})));
    posts.push((
        "/api/rooms",
        json!({"room": "FR1", "name": "Fruiting room", "kind": "fruiting", "capacity_blocks": 200, "area_m2": 22.5}),
    ));
    for s in &STRAINS {
        let points = |factor: f64| s.life.map(|(c, days)| json!({"c": c, "days": days * factor}));
        #[expect(clippy::cast_possible_truncation, reason = "some hundred grams")]
        let expected = s.flushes_g.iter().sum::<f64>() as i64;
        let source = "Example for the demo; replace it with what your own customers see";
        posts.push(("/api/strains", json!({
            "strain": s.code, "name": s.name, "species": s.species, "latin_name": s.latin, "lowest_safe_c": s.lowest_safe_c,
            "expected_yield_g": expected, "days_to_first_flush": s.first_day,
            "flush_interval_days": s.interval, "flushes": s.flushes_g.len(), "trim_share": s.trim,
            "life": [
                {"packaging": "open", "points": points(1.0), "spread": 0.2, "source": source},
                {"packaging": "vented", "points": points(1.25), "spread": 0.2, "source": source},
            ],
        })));
    }
    posts.push((
        "/api/crates",
        json!({"crate": "BLUE", "name": "Blue crate", "kind": "crate", "tare_dry_g": 1450, "tare_wet_g": 1490}),
    ));
    posts.push((
        "/api/crates",
        json!({"crate": "PAPER", "name": "Paper liner", "kind": "liner", "tare_dry_g": 12, "tare_wet_g": 18}),
    ));
    posts.push((
        "/api/places",
        json!({
            "place": "F1", "name": "Fridge", "kind": "fridge", "humidity_percent": FRIDGE_HUMIDITY_PERCENT,
            "limit": {"name": "Cold store", "warm_c": 5.0, "cold_c": -0.5, "gap_minutes": 15, "lag_minutes": 60, "example": true,
                      "rule_text": "Example. Replace it with your local authority's rule."},
        }),
    ));
    posts.push((
        "/api/places",
        json!({"place": "SHELF", "name": "Dry shelf", "kind": "shelf", "humidity_percent": 50.0}),
    ));
    posts.push(("/api/places", json!({"place": "VAN", "name": "Van", "kind": "van"})));
    posts.push(("/api/places", json!({"place": "STALL", "name": "Market stall", "kind": "stall"})));
    posts.push((
        "/api/probes",
        json!({"probe": "urn:dev:ow:28ff641e0116035c", "place": "F1", "position": "Warmest corner, top shelf"}),
    ));
    for (check, name, topic, every) in CHECKS {
        posts.push(("/api/checks", json!({"check": check, "name": name, "topic": topic, "every_days": every})));
    }
    posts.extend(products_and_prices());
    for (stop, (code, name, _, least)) in (1..).zip(RESTAURANTS) {
        posts.push((
            "/api/customers",
            json!({"customer": code, "name": name, "kind": "restaurant", "price_list": "TABLE", "least_days": least, "address": "Market Street\nLower Fell", "payment_days": 14, "email": format!("kitchen@{}.example", code.to_lowercase()), "order_by_time": "16:00", "deliver_from": "09:00", "deliver_until": "11:30", "substitutes": true, "round": "Town", "stop": stop}),
        ));
    }
    for (stop, (code, name)) in (1..).zip(SHOPS) {
        posts.push((
            "/api/customers",
            json!({"customer": code, "name": name, "kind": "shop", "price_list": "SHOP", "least_days": 3, "address": "Fell Road 12\nLower Fell", "payment_days": 30, "order_by_time": "12:00", "order_by_days": 2, "deliver_from": "07:00", "deliver_until": "08:30", "round": "Fell Road", "stop": stop}),
        ));
    }
    posts.push((
        "/api/customers",
        json!({"customer": "SATURDAY", "name": "Saturday market", "kind": "market", "price_list": "STALL"}),
    ));
    posts
}

/// What is sold, and on which lists at what price.
fn products_and_prices() -> Vec<(&'static str, Value)> {
    let mut posts = Vec::new();
    posts.push(("/api/price-lists", json!({"price_list": "TABLE", "name": "Restaurants"})));
    posts.push(("/api/price-lists", json!({"price_list": "SHOP", "name": "Shops"})));
    posts.push(("/api/price-lists", json!({"price_list": "STALL", "name": "Market stall", "tax_included": true})));
    for s in &STRAINS {
        posts.push((
            "/api/products",
            json!({
                "product": s.code, "name": s.name, "strains": [s.code], "least_grade": "B", "tax_percent": "5.5", "floor_per_kg": "11.00",
            }),
        ));
        posts.push(("/api/prices", json!({"price_list": "TABLE", "product": s.code, "amount": s.price, "unit": "kg"})));
        posts.push(("/api/prices", json!({"price_list": "SHOP", "product": s.code, "amount": s.price, "unit": "kg"})));
        let at_stall = json!({"price_list": "STALL", "product": s.code, "amount": s.stall_price, "unit": "kg"});
        posts.push(("/api/prices", at_stall));
    }
    posts.push(("/api/products", json!({
        "product": "OYP", "name": "Grey oyster, punnet 150 g", "strains": ["OY"], "least_grade": "A", "packaging": "vented", "pack_g": 150,
        "tax_percent": "5.5",
    })));
    posts.push(("/api/prices", json!({"price_list": "SHOP", "product": "OYP", "amount": "2.35", "unit": "pack"})));
    let twenty_packs =
        json!({"price_list": "SHOP", "product": "OYP", "from_g": 3000, "amount": "2.20", "unit": "pack"});
    posts.push(("/api/prices", twenty_packs));
    posts.push(("/api/prices", json!({"price_list": "STALL", "product": "OYP", "amount": "2.60", "unit": "pack"})));
    posts
}

/// The farm's own best-before rules, in days from harvest.
pub(super) fn best_before() -> Value {
    let days = [("OY", 8), ("KO", 12), ("LM", 8), ("SH", 12)];
    let mut rules: Vec<Value> =
        days.iter().map(|(p, d)| json!({"product": p, "packaging": "open", "days": d})).collect();
    rules.push(json!({"product": "OYP", "packaging": "vented", "days": 9}));
    json!({"cash_step": "0.05", "address": "Hollow Lane 4, Lower Fell", "tax_number": "LF 40 118 27", "payment_details": "Lower Fell Savings Bank\nAccount 00 4711 02, Lantern Hollow Mushrooms", "best_before": rules})
}
