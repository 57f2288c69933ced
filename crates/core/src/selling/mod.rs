//! What is sold first, what is promised, and what it brings.

pub mod allocation;
pub mod customer;
pub mod delivery;
pub mod dispatch;
pub mod docket;
pub mod earnings;
pub mod market;
pub mod order;
pub mod pricing;
pub mod product;
pub mod risk;
pub mod set_aside;
pub mod takings;
pub mod usual;

#[cfg(test)]
pub(crate) mod examples {
    //! A customer and products for tests, changed as they need.

    use serde_json::{Value, json};

    use super::{customer::Customer, product::Product};

    /// A body with some of its members changed.
    pub fn changed<T: serde::de::DeserializeOwned>(mut body: Value, changes: Value) -> T {
        let Value::Object(changes) = changes else { panic!("an object") };
        body.as_object_mut().unwrap().extend(changes);
        serde_json::from_value(body).unwrap()
    }

    pub fn customer(changes: Value) -> Customer {
        let body = json!({
            "customer": "CAFE", "name": "The café", "kind": "restaurant", "price_list": "STD", "least_days": 0, "freshest": false,
            "over_percent": 10.0, "min_order_g": 0, "address": "", "email": "", "version": 1,
        });
        changed(body, changes)
    }

    pub fn product(code: &str, changes: Value) -> Product {
        let body = json!({
            "product": code, "name": code, "strains": ["OY"], "least_grade": "A", "packaging": null, "form": "fresh", "pack_g": null,
            "tax_percent": "7", "gtin": null, "version": 1,
        });
        changed(body, changes)
    }
}
