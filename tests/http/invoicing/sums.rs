//! What invoices add up to, beside a library that knows nothing of us.

use anyhow::{Context, Result, ensure};
use gillbook_core::{
    selling::tax::{TaxBy, add_up},
    units::money::{CurrencyRules, Rounding},
};
use gillbook_tests::python;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rust_decimal::Decimal;
use serde_json::{Value, json};

/// Sums of invoices against Python's decimal, in currencies of no, two and three decimals, by every rule.
#[test]
fn invoices_add_up_as_in_decimal() -> Result<()> {
    let mut rng = ChaCha8Rng::seed_from_u64(14);
    let cases: Result<Vec<Value>> = (0..500)
        .map(|n| {
            let rounding = Rounding::ALL[n % Rounding::ALL.len()];
            let tax_by = TaxBy::ALL[n % TaxBy::ALL.len()];
            let coinage = CurrencyRules::new(["JPY", "EUR", "TND"][n % 7 % 3], rounding).context("a currency")?;
            let places = coinage.places();
            let lines: Vec<(Decimal, Decimal)> = (0..rng.random_range(1..30))
                .map(|_| {
                    (
                        Decimal::new([0, 55, 70, 125, 210][rng.random_range(0..5)], 1),
                        Decimal::new(rng.random_range(0..99_999), places),
                    )
                })
                .collect();
            let sums = add_up(&lines, tax_by, coinage);
            let taxes: Vec<Value> = sums.taxes.iter().map(|t| json!([t.tax_percent, t.net, t.tax])).collect();
            Ok(json!({
                "places": places, "rounding": rounding, "tax_by": tax_by, "lines": lines, "taxes": taxes,
                "net": sums.net, "tax": sums.tax, "total": sums.total,
            }))
        })
        .collect();
    let output = python("invoices.py", &Value::from(cases?).to_string())?;
    ensure!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    ensure!(String::from_utf8(output.stdout)?.trim() == "500", "all were compared");
    Ok(())
}
