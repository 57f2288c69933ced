//! Best plan: which lots for which order, so that least is short and least is left over?

use axum::extract::State;
use gillbook_store::{
    farm::farms::Farm,
    reports::allocation_plan::{AllocationPlan, PlanTotals, PlannedOrder, work_out_plan},
};

use super::{
    Html, Layout,
    act::{ActPage, first},
    exact_kg, full_day, kg, price,
    sheet::{Field, Input, Sheet},
};
use crate::{App, access::sees_prices, auth::Authenticated, problem::Problem, read_tx};

/// The best plan, with money for who may see prices.
pub(crate) async fn allocation_plan(app: &App, who: &Authenticated) -> Result<(Farm, AllocationPlan), Problem> {
    app.refresh_before_read(who).await?;
    let (farm, question) = read_tx!(app, who, |tx| Ok((tx.farm().await?, tx.allocation_plan().await?)))?;
    let plan = work_out_plan(question).await?;
    Ok((farm, if sees_prices(who.standing) { plan } else { plan.without_money() }))
}

/// What a plan comes to, in words.
fn totals(of: &PlanTotals, farm: &Farm) -> String {
    let money = of.left_over_money.map_or_else(String::new, |m| format!(", about {}", price(m, farm)));
    format!(
        "{} kg short, {} kg likely left over{money}; {} kg of a better grade than was asked for",
        kg(of.short_g),
        kg(of.left_over_g),
        kg(of.better_grade_g)
    )
}

/// The form that sets an order's lots aside as planned: each can still be changed.
fn sheet(order: &PlannedOrder) -> Sheet {
    let mut fields = Vec::new();
    for line in &order.lines {
        for planned in &line.lots {
            let name = |field: &str| format!("chosen/{}@{}@{}/{field}", line.line, planned.lot, planned.place);
            let by_rule = line.lots_by_rule.iter().find(|r| r.lot == planned.lot && r.place == planned.place);
            let by_rule = match by_rule.map(|r| r.grams_g) {
                Some(grams) if grams == planned.grams_g => String::new(),
                Some(grams) => format!(" (first-expiring-first: {})", exact_kg(grams)),
                None => " (first-expiring-first: none)".into(),
            };
            let label = format!("{} of {} from {}, kg{by_rule}", line.product, planned.lot, planned.place);
            fields.extend([
                Field::hidden_whole(name("line"), line.line),
                Field::hidden(name("lot"), planned.lot.to_string()),
                Field::hidden(name("place"), planned.place.to_string()),
                Field::new(name("grams_g"), label, Input::Kilograms).beside().with(exact_kg(planned.grams_g)),
            ]);
        }
    }
    fields.push(Field::new("reason", "Why these", Input::Text).with("Best plan for all orders"));
    Sheet::new(format!("/orders/{}/set-aside/chosen", order.order), "Set these aside", fields)
}

pub(super) async fn get_allocation_plan(State(app): State<App>, who: Authenticated) -> Result<Html<ActPage>, Problem> {
    let (farm, plan) = allocation_plan(&app, &who).await?;
    let page = ActPage::new(Layout::new(&farm, &who, "/orders"), "Best plan", ("/orders", "All orders"));
    let others: Vec<&PlannedOrder> = plan.orders.iter().filter(|o| o.is_other).collect();
    let about = match (plan.orders.is_empty(), others.is_empty(), plan.is_proven) {
        (true, ..) => "All orders are made up.",
        (_, false, true) => "All orders at once can be filled better than one after the other, first-expiring-first.",
        (_, false, false) => {
            "All orders at once can be filled better than first-expiring-first. The search ran out of time: there may be a better plan still."
        }
        (_, true, true) => "First-expiring-first is the best plan today. Make up the orders as always.",
        (_, true, false) => "The search ran out of time and found nothing better than first-expiring-first.",
    };
    let page = page.about(about).detail("First-expiring-first", totals(&plan.by_rule, &farm));
    let page = if others.is_empty() { page } else { page.detail("This plan", totals(&plan.plan, &farm)) };
    let may_set_aside = page.head.may("POST", "/orders/{order}/set-aside/chosen");
    let page = others.into_iter().fold(page, |page, order| {
        let heading = format!("{}, {}", order.customer_name, full_day(order.delivery_day));
        if may_set_aside { page.sheet(heading, sheet(order)) } else { page.detail(heading, "other lots") }
    });
    first(Ok(page))
}
