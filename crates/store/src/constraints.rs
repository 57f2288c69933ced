//! What a broken constraint means to the person who broke it.
//!
//! Every constraint in the migrations has a name that ends in what it demands: `movement_lot_fk`, `weighing_tare_g_range`. The
//! plain ones are told from their name; those that need more words are listed. A test reads the catalogue and holds
//! every constraint to this.

use gillbook_core::{
    kinds::ActKind,
    refusal::{Refusal, RefusalKind},
};

/// The refusal for a broken constraint, or `None` for one that is not known here.
///
/// `detail` is what a trigger of ours gives, fields parted by `|`.
#[must_use]
pub fn refusal_for(table: &str, constraint: &str, detail: &str) -> Option<Refusal> {
    with_detail(constraint, detail)
        .or_else(|| named_constraint(constraint))
        .or_else(|| money_constraint(constraint))
        .or_else(|| by_name(table, constraint))
}

/// Those that say what they found.
fn with_detail(constraint: &str, detail: &str) -> Option<Refusal> {
    let part = |i: usize| detail.split('|').nth(i).unwrap_or("?");
    let (kind, text) = match constraint {
        "balance_grams_enough" => (
            RefusalKind::NotEnough,
            format!(
                "{} has {} g of lot {} and {} g were asked for. Take less, or another lot.",
                part(1),
                part(2),
                part(0),
                part(3)
            ),
        ),
        "balance_set_aside_g_enough" if part(4).is_empty() || part(4) == "?" => (
            RefusalKind::NotEnough,
            format!(
                "{} has {} g of lot {} free and {} g were asked for. Take less, or another lot.",
                part(1),
                part(2),
                part(0),
                part(3)
            ),
        ),
        "balance_set_aside_g_enough" => (
            RefusalKind::SetAside,
            format!(
                "{} has only {} g of lot {} that are not set aside, and {} g were asked for. The rest is promised to order {}. Release it there first.",
                part(1),
                part(2),
                part(0),
                part(3),
                part(4)
            ),
        ),
        "balance_dockets_kept" => (
            RefusalKind::SetAside,
            format!(
                "{} g of lot {} in {} are on their way to customers, with {}. Hand that over first and say what was refused, or take the dispatch back.",
                part(2),
                part(0),
                part(1),
                part(3)
            ),
        ),
        "period_unlocked" => (
            RefusalKind::Closed,
            format!("The books are locked up to {}, and this bears {}. Give it a later day.", part(0), part(1)),
        ),
        "lot_hold_kept" => (RefusalKind::OnHold, Refusal::on_hold(part(0), part(1)).detail),
        "movement_rule_kept" => (
            RefusalKind::Invalid,
            format!("This entry cannot go from “{}” to “{}”. Choose another place.", part(1), part(2)),
        ),
        "act_pk" if part(0) == part(1) => (
            RefusalKind::AlreadyThere,
            "This is in the book already, under the same id: it was kept the first time and counts once. Nothing is left to do.".into(),
        ),
        "act_pk" => (
            RefusalKind::KeyReused,
            format!(
                "Another entry of the book, {}, has this id. Make a new id and send it again.",
                part(1).parse::<ActKind>().map_or("of another kind", ActKind::said)
            ),
        ),
        _ => return None,
    };
    Some(Refusal::new(kind, text))
}

/// Those that need other words than their name has.
fn named_constraint(constraint: &str) -> Option<Refusal> {
    let (kind, text) = match constraint {
        "act_reverses_key" => {
            (RefusalKind::AlreadyReversed, "This entry is taken back already. Nothing is left to do.")
        }
        "act_reversal_allowed" => (
            RefusalKind::NotReversible,
            "You cannot take back an entry that takes another back, nor the close of a week. Enter what is right instead.",
        ),
        "act_reversal_whole" => (RefusalKind::NotReversible, "An entry is taken back whole."),
        "act_is_closed" | "record_is_kept" => {
            (RefusalKind::RecordKept, "Records are added to, never changed. Take the entry back and enter it again.")
        }
        "act_moves_something" => (RefusalKind::Invalid, "It moves nothing. Give at least one weight above zero."),
        "act_packing_adds_up" | "act_children_add_up" | "act_parents_add_up" => {
            (RefusalKind::Invalid, "What went in is not what came out. In = out + trim + water, to the gram.")
        }
        "act_is_documented" | "act_parts_known" => {
            (RefusalKind::Invalid, "What the entry says it was is missing, or of another kind of entry.")
        }
        "act_docket_its_own" => (RefusalKind::Invalid, "The docket, its customer or its van is another one."),
        "act_stall_its_own" => {
            (RefusalKind::Invalid, "The goods of a market day go to its stall, and come from there.")
        }
        "act_finish_its_own" => {
            (RefusalKind::Invalid, "A finish takes all that is left of the lot that it finishes, and nothing else.")
        }
        "act_strains_apart" => (RefusalKind::Invalid, "A lot is of one strain: pack each by itself."),
        "act_delivery_once" => {
            (RefusalKind::Closed, "The docket was handed over already, was taken back, or is another one.")
        }
        "act_count_adds_up" => (RefusalKind::Invalid, "The movement is not the difference between count and book."),
        "act_docket_adds_up" => (RefusalKind::Invalid, "The lines of the docket are not what was sent out."),
        "act_market_sales_add_up" => (RefusalKind::Invalid, "What the stall sold is not what left it."),
        "act_docket_parts_add_up" => {
            (RefusalKind::Invalid, "The lines of the docket are not what was handed over or brought back.")
        }
        "act_docket_refusals_add_up" => {
            (RefusalKind::Invalid, "What of the docket was not handed over is not what was refused of it.")
        }
        "act_weighing_adds_up" | "weighing_net_g_adds_up" => {
            (RefusalKind::Invalid, "Gross less tare is not the net weight, or the sources do not add up to it.")
        }
        "idempotency_pk" => {
            (RefusalKind::InProgress, "The first request with this key is still at work. Try again in a moment.")
        }
        "excursion_action_sign_off_by_another" => (
            RefusalKind::Closed,
            "Whoever did or entered an action cannot countersign it. Let a second person do that.",
        ),
        "grade_rank_key" => {
            (RefusalKind::AlreadyThere, "Another grade has this rank. Give each grade a rank of its own.")
        }
        // Customers and rooms with stock are places too, and share their codes.
        "place_pk" => (RefusalKind::AlreadyThere, "A place or a customer has this code. Choose another."),
        "person_initials_key" => {
            (RefusalKind::AlreadyThere, "Somebody on this farm has these initials. Add a digit: AB2.")
        }
        "sign_in_name_pk" => (RefusalKind::AlreadyThere, "Somebody signs in with this name already. Choose another."),
        "week_close_pk" => {
            (RefusalKind::Closed, "This week is closed. What arrives later for it shows as after close.")
        }
        "strain_life_pk" | "place_limit_pk" | "best_before_rule_pk" | "price_pk" | "probe_offset_pk" => {
            (RefusalKind::AlreadyThere, "Another one begins at the same instant. Let this one begin later.")
        }
        "set_aside_pk" => (RefusalKind::Invalid, "The same lot stands twice for one order line. Add them up."),
        _ => return None,
    };
    Some(Refusal::new(kind, text))
}

/// Those of invoices and payments.
fn money_constraint(constraint: &str) -> Option<Refusal> {
    let (kind, text) = match constraint {
        "docket_not_invoiced" => (
            RefusalKind::NotReversible,
            "The docket is on an invoice. Credit what is on it first; then it can be taken back.",
        ),
        "invoice_adds_up" | "invoice_total_adds_up" | "invoice_has_lines" => {
            (RefusalKind::Invalid, "The lines, the tax and the total are not of one invoice.")
        }
        "payment_docket_its_own" => (RefusalKind::Invalid, "The docket is another customer's."),
        "invoice_docket_its_own" => {
            (RefusalKind::Invalid, "A docket of another customer or another tax rate is on it.")
        }
        "invoice_currency_its_own" => (RefusalKind::Invalid, "An invoice is in the farm's own currency."),
        "invoice_days_go_up" => (
            RefusalKind::Closed,
            "Another one was issued meanwhile and bears a later day, and days go up with the numbers. Send it again.",
        ),
        "invoice_line_once" => (
            RefusalKind::Closed,
            "Somebody invoiced or took back some of it meanwhile. Look at what is left to invoice.",
        ),
        "credit_note_its_own" => {
            (RefusalKind::Invalid, "A credit note corrects lines of one invoice, of the same customer.")
        }
        "credit_note_within_invoice" => {
            (RefusalKind::Closed, "More would be credited than the invoice asked for. Look at what is left of it.")
        }
        "payment_share_within_invoice" => {
            (RefusalKind::Closed, "More would be settled than is open. Look at what is open and enter it again.")
        }
        "payment_covers_shares" => {
            (RefusalKind::Invalid, "The payment settles more than came and the customer's credit together.")
        }
        "payment_reversal_pk" => {
            (RefusalKind::AlreadyReversed, "This payment is taken back already. Nothing is left to do.")
        }
        "payment_reversal_credit_left" => (
            RefusalKind::NotReversible,
            "What was over of this payment has settled another invoice since. Take that payment back first.",
        ),
        _ => return None,
    };
    Some(Refusal::new(kind, text))
}

/// Tables whose own name people do not say.
fn plain(word: &str) -> String {
    match word {
        "customer_order" | "order_code" => "order".into(),
        "batch_move" => "move".into(),
        "batch_loss" => "loss".into(),
        word => word.trim_end_matches("_id").replace('_', " "),
    }
}

fn by_name(table: &str, constraint: &str) -> Option<Refusal> {
    let (stem, rule) = constraint.rsplit_once('_')?;
    let column = stem.strip_prefix(table).map_or(stem, |c| c.trim_start_matches('_'));
    let field = if column.is_empty() { String::new() } else { format!("/{column}") };
    let what = plain(if column.is_empty() { table } else { column });
    let refusal = match rule {
        "pk" | "key" => {
            Refusal::new(RefusalKind::AlreadyThere, format!("That {} code is taken. Choose another.", plain(table)))
        }
        "fk" => Refusal::field(field, format!("There is no such {what} on this farm. Check the code.")),
        "range" => Refusal::field(field, format!("The {what} is out of range.")),
        "length" => Refusal::field(field, format!("The {what} is empty or too long.")),
        "shape" => Refusal::field(field, format!("The {what} is not written as it must be.")),
        "known" => Refusal::field(field, format!("This {what} is not one that is known.")),
        "needed" | "whole" => Refusal::field(field, format!("The {what} does not go with the rest, or is missing.")),
        "apart" => Refusal::field(field, format!("The {what} must be two different ones.")),
        _ => return None,
    };
    Some(refusal)
}
