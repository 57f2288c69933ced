"""What batches and customers earn: each sold gram followed back through its lot, and the lots that was made of, to the
weighings and so to the batches, and its money with it. Contribution = revenue without tax - stalls' fees - the
blocks' cost."""

from collections import Counter, defaultdict
from decimal import Decimal

from money import handed_over

# Shares of many lots are rounded each to whole grams, and their money with them.
WITHIN_G, WITHIN_UNITS = 5, 5


def questions(rows):
    yield "/api/reports/earnings"


def compositions(rows):
    """For each lot the share that each batch has in it; nothing where nobody knows (None as the batch)."""
    weighed = {w["act_id"]: w["lot"] for w in rows.table("weighing")}
    own, parents, known = defaultdict(Counter), defaultdict(Counter), {}
    for source in rows.table("weighing_source"):
        if rows.alive(source["act_id"]):
            own[weighed[source["act_id"]]][source["batch"]] += source["grams"]
    for link in rows.table("lot_link"):
        if rows.alive(link["act_id"]):
            parents[link["child"]][link["parent"]] += link["grams"]

    def of(lot):
        if lot not in known:
            parts = Counter(own[lot])
            for parent, grams in parents[lot].items():
                for batch, share in of(parent).items():
                    parts[batch] += share * grams
            if not parts:
                parts[None] = 1
            whole = sum(parts.values())
            known[lot] = {batch: Decimal(grams) / whole for batch, grams in parts.items()}
        return known[lot]

    return of


def compare(rows, to):
    answer, composition = rows.answer("/api/reports/earnings"), compositions(rows)
    sold, revenue, fee = defaultdict(Decimal), defaultdict(Decimal), defaultdict(Decimal)
    customers, customer_g = defaultdict(Decimal), defaultdict(int)
    for h in handed_over(rows):
        customers[h.customer] += h.amount
        customer_g[h.customer] += h.grams
        for batch, share in composition(h.lot).items():
            sold[batch] += share * h.grams
            revenue[batch] += share * h.amount
            fee[batch] += share * h.fee
    dearest = max((h.amount / h.grams for h in handed_over(rows) if h.grams > 0 and h.amount > 0), default=Decimal(0))
    within = dearest * WITHIN_G + rows.unit * WITHIN_UNITS
    to.number("unknown_g", sold[None], answer["unknown_g"], WITHIN_G)
    to.money("unknown_revenue", revenue[None], answer["unknown_revenue"], within)
    told = {c["customer"]: c for c in answer["customers"]}
    for customer in sorted(set(customers) | set(told)):
        to.money(f"{customer} revenue", customers[customer], told.get(customer, {}).get("revenue", 0))
        to.same(f"{customer} sold_g", customer_g[customer], told.get(customer, {}).get("sold_g", 0))
        if told.get(customer, {}).get("sold_g", 0) > 0:
            per_kg = rows.rounded(
                (Decimal(told[customer]["revenue"]) - Decimal(told[customer]["fee"])) * 1000 / told[customer]["sold_g"]
            )
            to.money(f"{customer} per_kg", per_kg, told[customer]["per_kg"])
    batches_total = sum((Decimal(b["revenue"]) for b in answer["batches"]), Decimal(answer["unknown_revenue"]))
    to.money(
        "revenue of all batches is that of all customers",
        sum((Decimal(c["revenue"]) for c in answer["customers"]), Decimal(0)),
        batches_total,
    )
    compare_batches(rows, to, {b["batch"]: b for b in answer["batches"]}, sold, revenue, fee, within)


def compare_batches(rows, to, told, sold, revenue, fee, within):
    recipes = {r["recipe"]: r for r in rows.table("recipe")}
    weighed = {w["act_id"]: w for w in rows.table("weighing")}
    flushes, whole = defaultdict(Counter), defaultdict(lambda: True)
    for source in rows.table("weighing_source"):
        if rows.alive(source["act_id"]):
            flushes[source["batch"]][source["flush"]] += source["grams"]
            weighing = weighed[source["act_id"]]
            whole[source["batch"]] &= not weighing["cut"] or weighing["trim_g"] > 0
    for row in rows.table("batch"):
        batch, blocks, recipe = row["batch"], row["blocks"], recipes[row["recipe"]]
        answer = told.get(batch)
        to.same(f"{batch} is there", True, answer is not None)
        if answer is None:
            continue
        harvested = sum(flushes[batch].values())
        lost = sum(r["blocks"] for r in rows.table("batch_loss") if r["batch"] == batch)
        gone = sum(
            r["blocks"] for r in rows.table("batch_move") if r["batch"] == batch and r["kind"] in ("sold", "finished")
        )
        to.same(
            f"{batch} harvested_g, lost, standing",
            (harvested, lost, blocks - lost - gone),
            (answer["harvested_g"], answer["lost"], answer["standing"]),
        )
        to.same(
            f"{batch} flushes",
            {f: g for f, g in flushes[batch].items() if g},
            {f["flush"]: f["grams_g"] for f in answer["flushes"] if f["grams_g"]},
        )
        to.number(f"{batch} sold_g", sold[batch], answer["sold_g"], WITHIN_G)
        cost = Decimal(recipe["block_cost"]) * blocks
        to.money(f"{batch} cost", cost, answer["cost"], rows.unit)
        to.money(f"{batch} revenue", revenue[batch], answer["revenue"], within)
        to.money(f"{batch} fee", fee[batch], answer["fee"], within)
        contribution = Decimal(answer["revenue"]) - Decimal(answer["fee"]) - Decimal(answer["cost"])
        to.money(f"{batch} contribution", contribution, answer["contribution"], rows.unit)
        to.money(
            f"{batch} contribution_per_block",
            Decimal(answer["contribution"]) / blocks,
            answer["contribution_per_block"],
            rows.unit,
        )
        if harvested:
            efficiency = 100 * harvested / (recipe["block_dry_g"] * blocks)
            to.number(f"{batch} per_block_g", harvested / blocks, answer["per_block_g"], 0.01)
            to.number(
                f"{batch} biological_efficiency",
                efficiency if whole[batch] else None,
                answer["biological_efficiency"],
                0.01,
            )
            to.number(f"{batch} saleable_yield", None if whole[batch] else efficiency, answer["saleable_yield"], 0.01)
