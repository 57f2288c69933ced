//! On what terms an order is filled and sent: its customer, its products with their prices and best-before rules, its lots.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use gillbook_core::{
    kinds::{OrderStatus, PlaceKind},
    refusal::Refusal,
    selling::{
        customer::Customer,
        dispatch::{ProductTerms, SentLot},
        order::{Order, OrderLine},
        product::Product,
        set_aside::WantedLine,
    },
    text::{LotCode, OrderCode, PlaceCode, ProductCode, StandingOrderCode},
};
use sqlx::types::Json;

use crate::{Result, Tx};

/// An order, and what it is filled and sent on.
#[derive(Debug)]
pub(crate) struct OrderTerms {
    /// The order, with what is set aside for it. Warm spells are not looked up.
    pub order: Order,
    /// Whose it is.
    pub customer: Customer,
    /// The products of its lines.
    pub products: BTreeMap<ProductCode, ProductTerms>,
    /// The lots that are set aside for it.
    pub lots: BTreeMap<LotCode, SentLot>,
    /// What the van is that was named, where there is a place of that code.
    pub van: Option<PlaceKind>,
}

impl OrderTerms {
    /// The products of the order's lines, in their order.
    pub(crate) fn products_of_lines(&self) -> Result<Vec<Product>, Refusal> {
        let of = |code: &ProductCode| {
            let terms = self.products.get(code).ok_or_else(|| Refusal::not_found(ProductCode::NOUN, code))?;
            Ok(terms.product.clone())
        };
        self.order.lines.iter().map(|line| of(&line.product)).collect()
    }

    /// The lines of the order, with what they are filled with.
    pub(crate) fn wanted_lines(&self) -> Result<Vec<WantedLine>, Refusal> {
        let lines = self.order.lines.iter().zip(self.products_of_lines()?);
        Ok(lines.map(|(l, product)| WantedLine { line: l.line, grams_g: l.grams_g, product }).collect())
    }
}

impl Tx {
    /// An order and its terms at an instant, and the kind of the van that is to take it.
    ///
    /// # Errors
    /// Refuses an order that is not there.
    pub(crate) async fn order_terms(
        &mut self,
        order: &OrderCode,
        van: Option<&PlaceCode>,
        at: DateTime<Utc>,
    ) -> Result<OrderTerms> {
        let row = sqlx::query!(
            r#"select o.customer_name as "customer_name!", o.delivery_day as "delivery_day!", o.status as "status!: OrderStatus",
                      o.placed_at as "placed_at!", o.note as "note!", o.reference as "reference!", o.version as "version!",
                      o.standing_order as "standing_order: StandingOrderCode", o.lines as "lines!: Json<Vec<OrderLine>>",
                      to_jsonb(c) as "customer!: Json<Customer>",
                      (select kind from place where farm_id = $1 and place = $3) as "van: PlaceKind",
                      coalesce((select jsonb_object_agg(p.product, jsonb_build_object(
                               'product', to_jsonb(p) || jsonb_build_object(
                                   'floor_per_kg', trim_scale(p.floor_per_kg)::text,
                                   'tax_percent', trim_scale(p.tax_percent)::text,
                                   'strains', array(select s.strain from product_strain s
                                                     where s.farm_id = $1 and s.product = p.product order by s.strain)),
                               'prices', (select coalesce(jsonb_agg(jsonb_build_object('from_g', x.from_grams, 'amount', x.amount::text, 'unit', x.unit,
                                                                                       'tax_included', pl.tax_included)), '[]')
                                            from prices_in_force($1, c.price_list, $4) x where x.product = p.product),
                               'best_before_days', coalesce((select jsonb_object_agg(b.packaging, b.days) from (
                                   select distinct on (packaging) packaging, days from best_before_rule
                                    where farm_id = $1 and product = p.product and effective_from <= $4
                                    order by packaging, effective_from desc) b), '{}')))
                           from product p
                          where p.farm_id = $1 and p.product in (select l.product from order_line l where l.farm_id = $1 and l.order_code = $2)),
                          '{}') as "products!: Json<BTreeMap<ProductCode, ProductTerms>>",
                      coalesce((select jsonb_object_agg(l.lot, jsonb_build_object(
                               'grade', l.grade, 'packaging', l.packaging, 'harvest_day', l.harvest_day, 'best_before', l.best_before,
                               'hold', (select h.reason from lot_hold h where h.farm_id = $1 and h.lot = l.lot)))
                           from lot l
                          where l.farm_id = $1 and l.lot in (select s.lot from set_aside s where s.farm_id = $1 and s.order_code = $2)),
                          '{}') as "lots!: Json<BTreeMap<LotCode, SentLot>>"
                 from order_with_lines o join customer c on c.farm_id = o.farm_id and c.customer = o.customer
                 join price_list pl on pl.farm_id = c.farm_id and pl.price_list = c.price_list
                where o.farm_id = $1 and o.order_code = $2"#,
            self.farm.0,
            order.as_str(),
            van.map(PlaceCode::as_str),
            at
        )
        .fetch_optional(&mut *self.db)
        .await?;
        let row = row.ok_or_else(|| Refusal::not_found(OrderCode::NOUN, order))?;
        let customer = row.customer.0;
        let mut order = Order {
            order: order.clone(),
            customer: customer.customer.clone(),
            customer_name: row.customer_name,
            delivery_day: row.delivery_day,
            status: row.status,
            placed_at: row.placed_at,
            note: row.note,
            under_percent: customer.under_percent,
            reference: row.reference,
            standing_order: row.standing_order,
            lines: row.lines.0,
            version: row.version,
        };
        order.count_short();
        Ok(OrderTerms { order, customer, products: row.products.0, lots: row.lots.0, van: row.van })
    }
}
