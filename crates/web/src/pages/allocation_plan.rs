//! Best plan: which lots for which order, so that least is short and least is left over?

use axum::extract::State;
use gillbook_core::Grams;
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

/// What the best plan has over the simple rule, in words: what is nothing is left out.
fn gain(plan: &AllocationPlan, farm: &Farm) -> String {
    let (best, rule) = (&plan.plan, &plan.by_rule);
    let money = rule.left_over_money.zip(best.left_over_money).map(|(rule, best)| price(rule - best, farm));
    let less = |grams: Grams, of: &str| (grams > Grams::ZERO).then(|| format!("{} kg less {of}", kg(grams)));
    let left_over = money.map_or_else(|| "left over".to_owned(), |m| format!("left over (about {m})"));
    let gains = [
        less(rule.short_g - best.short_g, "short"),
        less(rule.left_over_g - best.left_over_g, &left_over),
        less(rule.better_grade_g - best.better_grade_g, "of a better grade than was asked for"),
    ];
    gains.into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// What an order would have by the simple rule, and what it is short of by the plan, in words.
fn beside(order: &PlannedOrder) -> String {
    let by_rule = order.lines.iter().flat_map(|line| &line.lots_by_rule);
    let by_rule: Vec<String> = by_rule.map(|lot| format!("{} {}", lot.lot, exact_kg(lot.grams_g))).collect();
    let by_rule = if by_rule.is_empty() { "nothing".to_owned() } else { format!("{} kg", by_rule.join(", ")) };
    let short: Grams = order.lines.iter().map(|line| line.short_g).sum();
    let short = if short > Grams::ZERO { format!(" By this plan {} kg short.", kg(short)) } else { String::new() };
    format!("First-expiring-first: {by_rule}.{short}")
}

/// The form that sets an order's lots aside as planned: each can still be changed.
fn sheet(order: &PlannedOrder) -> Sheet {
    let mut fields = Vec::new();
    for line in &order.lines {
        for planned in &line.lots {
            let name = |field: &str| format!("chosen/{}@{}@{}/{field}", line.line, planned.lot, planned.place);
            let label = format!("{} of {} from {}, kg", line.product, planned.lot, planned.place);
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
    let until = full_day(plan.planned_until);
    let about = match (plan.orders.is_empty(), others.is_empty(), plan.is_proven) {
        (true, ..) => format!("Nothing is to be set aside for the orders until {until}."),
        (_, true, true) => "First-expiring-first is the best plan today. Make up the orders as always.".into(),
        (_, true, false) => "Nothing better than first-expiring-first was found in the time there is.".into(),
        (_, false, is_proven) => format!(
            "All orders until {until} at once, not one after the other first-expiring-first: {}.{}",
            gain(&plan, &farm),
            if is_proven { "" } else { " The search ran out of time: there may be a better plan still." }
        ),
    };
    let page = page.about(about).detail("First-expiring-first", totals(&plan.by_rule, &farm));
    let page = if others.is_empty() { page } else { page.detail("This plan", totals(&plan.plan, &farm)) };
    let may_set_aside = page.head.may("POST", "/orders/{order}/set-aside/chosen");
    let page = others.into_iter().fold(page, |page, order| {
        let heading = format!("{}, {}", order.customer_name, full_day(order.delivery_day));
        let page = page.detail(heading.clone(), beside(order));
        let has_lots = order.lines.iter().any(|line| !line.lots.is_empty());
        if may_set_aside && has_lots { page.sheet(heading, sheet(order)) } else { page }
    });
    first(Ok(page))
}
