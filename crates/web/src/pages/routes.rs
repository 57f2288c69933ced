//! The pages' addresses.

use axum::{
    Router,
    extract::DefaultBodyLimit,
    handler::Handler,
    routing::{get, post},
};
use gillbook_core::limits::MAX_SIGN_IN_BYTES;

use super::{
    allocation_plan, availability, batches, blocks, by_hand, calendar, checks, count, crates_out, desk, dispatch,
    docket, emails, entries, excursion, find, fridge, invoices, labels, lot, market, money, moves, notices,
    order_forms, order_to_cash, orders, packing, packing_list, payments, period_locks, phones, recalls, record,
    resource::{self, Addable, Changeable, Resource},
    returns, sell_first, set_aside, settings, setup, shared_docket, stall, standing_orders, stock, today, trace, week,
    week_close, weigh, weight_loss,
};
use crate::App;

/// The pages' routes, and the list of them for the table of rules.
#[derive(Default)]
pub(super) struct Pages {
    pub router: Router<App>,
    pub routes: Vec<(String, String)>,
}

impl Pages {
    fn get<T: 'static>(mut self, path: &str, handler: impl Handler<T, App>) -> Self {
        self.routes.push(("GET".to_owned(), path.to_owned()));
        Self { router: self.router.route(path, get(handler)), ..self }
    }

    fn post<T: 'static>(mut self, path: &str, handler: impl Handler<T, App>) -> Self {
        self.routes.push(("POST".to_owned(), path.to_owned()));
        Self { router: self.router.route(path, post(handler)), ..self }
    }

    /// The list of a kind, the form that adds one, and the page of an entry, whose code the rules call `one`.
    fn resource<R: Resource>(self, one: &str) -> Self {
        self.get(R::PATH, resource::get_list::<R>)
            .get(&format!("{}/new", R::PATH), resource::get_new::<R>)
            .get(&format!("{}/{one}", R::PATH), resource::get_item::<R>)
    }

    fn added<R: Addable>(self) -> Self {
        self.post(R::PATH, resource::post_new::<R>)
    }

    fn changed<R: Changeable>(self, one: &str) -> Self {
        self.post(&format!("{}/{one}", R::PATH), resource::post_change::<R>)
    }
}

/// All of them.
pub(super) fn all() -> Pages {
    [day, cold, stock, selling, books, growing, farm].into_iter().fold(Pages::default(), |pages, more| more(pages))
}

/// The day, the scale, and what everybody may see.
fn day(pages: Pages) -> Pages {
    pages
        .get("/", today::get_today)
        .get("/sign-in", desk::get_sign_in)
        .post("/sign-in", desk::post_sign_in.layer(DefaultBodyLimit::max(MAX_SIGN_IN_BYTES)))
        .post("/sign-out", desk::post_sign_out)
        .get("/food-safety", desk::get_food_safety)
        .get("/problems/{slug}", desk::get_problem)
        .get("/no-connection", desk::get_no_connection)
        .get("/calendar/{secret}", calendar::get_calendar)
        .get("/shared/{secret}", shared_docket::get_shared_docket)
        .get("/shared/{secret}/pdf", shared_docket::get_shared_pdf)
        .get("/shared/{secret}/ubl", shared_docket::get_shared_ubl)
        .get("/assets/{file}", desk::get_asset)
        .get("/find", find::get_find)
        .get("/phones", phones::get_phones)
        .get("/weigh", weigh::get_weigh)
        .get("/stall", stall::get_stall)
}

/// The fridge and what was done about it.
fn cold(pages: Pages) -> Pages {
    pages
        .get("/fridge", fridge::get_fridge)
        .get("/fridge/record", record::get_record)
        .get("/fridge/by-hand", by_hand::get_by_hand)
        .post("/fridge/by-hand/reading", by_hand::post_reading)
        .post("/fridge/by-hand/check", by_hand::post_check)
        .get("/notices", notices::get_notices)
        .post("/notices", notices::post_notice)
        .post("/notices/{notice_recipient}/remove", notices::post_removal)
        .get("/excursions/{excursion}", excursion::get_excursion)
        .post("/excursions/{excursion}/action", excursion::post_action)
        .post("/excursions/{excursion}/sign-off", excursion::post_sign_off)
        .get("/checks", checks::get_checks)
        .post("/checks", checks::post_check)
        .post("/checks/{check}/done", checks::post_done)
}

/// What is in stock.
fn stock(pages: Pages) -> Pages {
    pages
        .get("/lots/opening", packing::get_opening)
        .post("/lots", packing::post_opening)
        .get("/lots/{lot}/pack", packing::get_packing)
        .post("/lots/{lot}/pack", packing::post_packing)
        .get("/lots/{lot}/label", labels::get_labels)
        .get("/lots/{lot}/entries", entries::get_entries)
        .get("/acts/{act}", entries::get_act)
        .post("/acts/{act}/reversal", entries::post_reversal)
        .get("/stock", stock::get_stock)
        .get("/sell-first", sell_first::get_sell_first)
        .get("/lots/{lot}", lot::get_lot)
        .post("/lots/{lot}/hold", lot::post_hold)
        .post("/lots/{lot}/release", lot::post_release)
        .get("/lots/{lot}/move", moves::get_moves)
        .post("/lots/{lot}/transfer", moves::post_transfer)
        .post("/lots/{lot}/take-out", moves::post_take_out)
        .post("/lots/{lot}/finish", moves::post_finish)
        .get("/trace", trace::get_trace)
        .get("/recalls", resource::get_list::<recalls::Recalls>)
        .post("/recalls", recalls::post_recall)
        .get("/recalls/{recall}", recalls::get_recall)
        .post("/recalls/{recall}/told", recalls::post_told)
        .post("/recalls/{recall}/end", recalls::post_end)
        .get("/places/{place}/count", count::get_count)
        .post("/places/{place}/count", count::post_count)
}

/// Orders, dockets, weeks.
fn selling(pages: Pages) -> Pages {
    pages
        .resource::<market::MarketDays>("{market_day}")
        .post("/market-days", market::post_market_day)
        .post("/market-days/{market_day}/close", market::post_close)
        .get("/dockets/{docket}/email", emails::get_docket_email)
        .post("/dockets/{docket}/email", emails::post_docket_email)
        .get("/dockets/{docket}/return", returns::get_return)
        .post("/dockets/{docket}/return", returns::post_return)
        .get("/orders/{order}/set-aside", set_aside::get_choice)
        .post("/orders/{order}/set-aside/chosen", set_aside::post_chosen)
        .post("/orders/{order}/set-aside/release", set_aside::post_release)
        .resource::<resource::Customers>("{customer}")
        .added::<resource::Customers>()
        .changed::<resource::Customers>("{customer}")
        .resource::<resource::Products>("{product}")
        .added::<resource::Products>()
        .changed::<resource::Products>("{product}")
        .resource::<resource::PriceLists>("{price_list}")
        .added::<resource::PriceLists>()
        .get("/availability", availability::get_availability)
        .get("/orders", orders::get_orders)
        .post("/orders", order_forms::post_order)
        .get("/orders/new", order_forms::get_new_order)
        .get("/orders/{order}", orders::get_order)
        .get("/orders/{order}/change", order_forms::get_change)
        .post("/orders/{order}/confirm", order_forms::post_confirm)
        .post("/orders/{order}/day", order_forms::post_day)
        .post("/orders/{order}/lines", order_forms::post_lines)
        .post("/orders/{order}/cancel", order_forms::post_cancel)
        .post("/orders/{order}/set-aside", orders::post_set_aside)
        .post("/orders/{order}/dispatch", dispatch::post_dispatch)
        .get("/allocation-plan", allocation_plan::get_allocation_plan)
        .get("/packing-list", packing_list::get_packing_list)
        .post("/orders/{order}/packed", packing_list::post_packed)
        .post("/orders/{order}/unpacked", packing_list::post_unpacked)
        .get("/standing-orders", resource::get_list::<standing_orders::StandingOrders>)
        .post("/standing-orders", standing_orders::post_new)
        .get("/standing-orders/new", standing_orders::get_new)
        .get("/standing-orders/{standing_order}", standing_orders::get_one)
        .post("/standing-orders/{standing_order}/days", standing_orders::post_days)
        .post("/standing-orders/{standing_order}/lines", standing_orders::post_lines)
        .post("/standing-orders/{standing_order}/pause", standing_orders::post_pause)
        .post("/standing-orders/{standing_order}/resume", standing_orders::post_resume)
        .post("/standing-orders/{standing_order}/end", standing_orders::post_end)
        .post("/standing-orders/{standing_order}/go-on", standing_orders::post_go_on)
        .resource::<resource::ClosedDays>("{day}")
        .added::<resource::ClosedDays>()
        .post("/closed-days/{day}/remove", resource::post_closed_day_removal)
        .get("/crates-out", crates_out::get_crates_out)
        .get("/dockets/{docket}", docket::get_docket)
        .post("/dockets/{docket}/delivery", docket::post_delivery)
        .get("/week", week::get_week)
        .get("/weight-loss", weight_loss::get_weight_loss)
        .post("/weight-loss", weight_loss::post_weight_loss)
        .get("/weeks/{week}/order-to-cash", order_to_cash::get_order_to_cash)
        .get("/weeks/{week}/close", week_close::get_close)
        .post("/weeks/{week}/close", week_close::post_close)
        .post("/products/{product}/price", resource::post_price)
        .post("/products/{product}/best-before", resource::post_best_before)
}

/// Invoices, payments and the books.
fn books(pages: Pages) -> Pages {
    pages
        .get("/period-locks", period_locks::get_period_locks)
        .post("/period-locks", period_locks::post_period_lock)
        .get("/money", money::get_money)
        .post("/money/invoices", money::post_invoices)
        .get("/customers/{customer}/account", money::get_account)
        .post("/customers/{customer}/invoice", money::post_invoice)
        .post("/customers/{customer}/payment", money::post_payment)
        .get("/invoices", resource::get_list::<invoices::Invoices>)
        .get("/invoices/{invoice}", invoices::get_invoice)
        .get("/invoices/{invoice}/email", emails::get_invoice_email)
        .post("/invoices/{invoice}/email", emails::post_invoice_email)
        .get("/invoices/{invoice}/credit", invoices::get_credit)
        .post("/invoices/{invoice}/credit", invoices::post_credit)
        .get("/payments", resource::get_list::<payments::Payments>)
        .get("/payments/{payment}", payments::get_payment)
        .post("/payments/{payment}/reversal", payments::post_reversal)
}

/// Blocks and what grows on them.
fn growing(pages: Pages) -> Pages {
    pages
        .resource::<resource::Strains>("{strain}")
        .added::<resource::Strains>()
        .changed::<resource::Strains>("{strain}")
        .resource::<resource::Recipes>("{recipe}")
        .added::<resource::Recipes>()
        .resource::<resource::Rooms>("{room}")
        .added::<resource::Rooms>()
        .changed::<resource::Rooms>("{room}")
        .resource::<resource::Cooks>("{cook}")
        .added::<resource::Cooks>()
        .resource::<resource::Crates>("{crate}")
        .added::<resource::Crates>()
        .changed::<resource::Crates>("{crate}")
        .get("/blocks", blocks::get_blocks)
        .post("/batches", batches::post_batch)
        .get("/batches/new", batches::get_new_batch)
        .get("/batches/{batch}", batches::get_batch)
        .post("/batches/{batch}/move", batches::post_move)
        .post("/batches/{batch}/end", batches::post_end)
        .post("/batches/{batch}/loss", batches::post_loss)
        .post("/batches/{batch}/hold", batches::post_hold)
        .post("/batches/{batch}/release", batches::post_release)
        .post("/strains/{strain}/life", resource::post_life)
}

/// What the farm is made of.
fn farm(pages: Pages) -> Pages {
    pages
        .get("/setup", setup::get_setup)
        .post("/setup", setup::post_setup)
        .get("/start", setup::get_start)
        .get("/strains/examples", setup::get_examples)
        .post("/strains/examples", setup::post_examples)
        .resource::<resource::Places>("{place}")
        .added::<resource::Places>()
        .changed::<resource::Places>("{place}")
        .resource::<resource::Probes>("{probe}")
        .added::<resource::Probes>()
        .resource::<resource::People>("{person}")
        .added::<resource::People>()
        .resource::<resource::Tokens>("{token}")
        .post("/tokens", resource::post_token)
        .post("/tokens/{token}/remove", resource::post_token_removal)
        .post("/places/{place}/limit", resource::post_limit)
        .post("/probes/{probe}/token", resource::post_probe_token)
        .post("/people/{person}/remove", resource::post_person_removal)
        .get("/settings", settings::get_settings)
        .post("/settings/farm", settings::post_farm)
        .post("/settings/docket-links", settings::post_docket_links)
        .post("/settings/words", settings::post_words)
        .post("/settings/grades", settings::post_grades)
}
