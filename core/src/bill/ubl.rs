//! A document as UBL 2.1 (OASIS), in the form of EN 16931.
//!
//! Promises: elements in the order of the UBL 2.1 schema; amounts are those of the document, written with the places of
//! its currency, never reckoned here. Checked from outside against the schema and the rules of EN 16931.
//!
//! Never: a draft; a currency with more than two places, which EN 16931 has no room for (BR-DEC); a text unescaped.

use super::amount::Amount;
use super::document::{Adjustment, Document, DocumentSort, Line, Party, Tax, Way};
use crate::fault::{Fault, code};

/// What EN 16931 calls itself (BT-24).
const CUSTOMIZATION: &str = "urn:cen.eu:en16931:2017";
/// Most places an amount has in EN 16931 (BR-DEC-01 and others).
const DIGITS_MAX: u32 = 2;
const UBL: &str = "urn:oasis:names:specification:ubl:schema:xsd";

/// The file of an issued document.
///
/// # Errors
/// `bad-target` for a draft, `out-of-range` for a currency with more than two places.
pub fn file(document: &Document) -> Result<String, Fault> {
    let refused = |code, detail: &str| Fault::new(code, "", detail);
    let issued = document.number.as_deref().zip(document.issued);
    let (number, on) = issued.ok_or_else(|| refused(code::BAD_TARGET, "a draft has no number: issue it first"))?;
    if document.currency.digits() > DIGITS_MAX {
        let detail = "EN 16931 has two places at most: take CSV or XLSX for this currency";
        return Err(refused(code::OUT_OF_RANGE, detail));
    }
    let root = match document.sort {
        DocumentSort::Invoice => "Invoice",
        DocumentSort::CreditNote => "CreditNote",
    };
    let mut xml = Xml { text: String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n"), document };
    let namespaces = format!(
        "xmlns=\"{UBL}:{root}-2\" xmlns:cac=\"{UBL}:CommonAggregateComponents-2\" xmlns:cbc=\"{UBL}:CommonBasicComponents-2\""
    );
    xml.text.push_str(&format!("<{root} {namespaces}>\n"));
    xml.head(number, &on.to_string());
    xml.parties();
    xml.payment();
    for adjustment in &document.adjustments {
        let value = document.adjusted_by(adjustment)?;
        xml.adjustment(adjustment, value, document.totals.lines, adjustment.tax.as_ref());
    }
    xml.totals();
    for (index, line) in document.lines.iter().enumerate() {
        xml.line(index + 1, line)?;
    }
    xml.text.push_str(&format!("</{root}>\n"));
    Ok(xml.text)
}

struct Xml<'a> {
    text: String,
    document: &'a Document,
}

fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            // XML 1.0 has no other control characters; texts of ours hold none.
            c if c.is_control() && !matches!(c, '\n' | '\t') => {}
            c => out.push(c),
        }
    }
    out
}

impl Xml<'_> {
    fn leaf(&mut self, name: &str, text: &str) {
        self.text.push_str(&format!("<cbc:{name}>{}</cbc:{name}>\n", escaped(text)));
    }

    fn leaf_if(&mut self, name: &str, text: Option<&str>) {
        if let Some(text) = text {
            self.leaf(name, text);
        }
    }

    fn inside(&mut self, name: &str, fill: impl FnOnce(&mut Self)) {
        self.text.push_str(&format!("<cac:{name}>\n"));
        fill(self);
        self.text.push_str(&format!("</cac:{name}>\n"));
    }

    fn amount(&mut self, name: &str, amount: Amount) {
        let currency = self.document.currency;
        let amount = amount.fixed(currency.digits());
        self.text.push_str(&format!("<cbc:{name} currencyID=\"{currency}\">{amount}</cbc:{name}>\n"));
    }

    fn head(&mut self, number: &str, on: &str) {
        let document = self.document;
        self.leaf("CustomizationID", CUSTOMIZATION);
        self.leaf("ID", number);
        self.leaf("IssueDate", on);
        match document.sort {
            DocumentSort::Invoice => {
                self.leaf_if("DueDate", document.due.map(|day| day.to_string()).as_deref());
                self.leaf("InvoiceTypeCode", "380");
            }
            DocumentSort::CreditNote => self.leaf("CreditNoteTypeCode", "381"),
        }
        self.leaf_if("Note", document.note.as_deref());
        self.leaf("DocumentCurrencyCode", document.currency.code());
        self.leaf_if("BuyerReference", document.reference.as_deref());
        if let Some((from, until)) = document.period {
            self.inside("InvoicePeriod", |xml| {
                xml.leaf("StartDate", &from.to_string());
                xml.leaf("EndDate", &until.to_string());
            });
        }
        for number in &document.changes {
            self.inside("BillingReference", |xml| {
                xml.inside("InvoiceDocumentReference", |xml| xml.leaf("ID", number));
            });
        }
    }

    fn parties(&mut self) {
        let document = self.document;
        self.inside("AccountingSupplierParty", |xml| xml.party(&document.seller));
        self.inside("AccountingCustomerParty", |xml| xml.party(&document.buyer));
        // BR-IC-12: across a border within the union a bill says where to.
        if document.totals.taxes.iter().any(|sum| sum.tax.category == "K") {
            self.inside("Delivery", |xml| {
                xml.inside("DeliveryLocation", |xml| {
                    xml.inside("Address", |xml| {
                        xml.inside("Country", |xml| xml.leaf("IdentificationCode", &document.buyer.address.country));
                    });
                });
            });
        }
    }

    fn party(&mut self, party: &Party) {
        // BR-O-02 and BR-O-03: who is outside the scope of tax names no tax number.
        let outside = self.document.totals.taxes.iter().any(|sum| sum.tax.category == "O");
        self.inside("Party", |xml| {
            xml.inside("PostalAddress", |xml| {
                xml.leaf_if("StreetName", party.address.street.as_deref());
                xml.leaf_if("CityName", party.address.city.as_deref());
                xml.leaf_if("PostalZone", party.address.postcode.as_deref());
                xml.inside("Country", |xml| xml.leaf("IdentificationCode", &party.address.country));
            });
            if let Some(vat_id) = party.vat_id.as_deref().filter(|_| !outside) {
                xml.inside("PartyTaxScheme", |xml| {
                    xml.leaf("CompanyID", vat_id);
                    xml.inside("TaxScheme", |xml| xml.leaf("ID", "VAT"));
                });
            }
            xml.inside("PartyLegalEntity", |xml| {
                xml.leaf("RegistrationName", &party.name);
                xml.leaf_if("CompanyID", party.register_id.as_deref());
            });
            if let Some(email) = &party.email {
                xml.inside("Contact", |xml| xml.leaf("ElectronicMail", email));
            }
        });
    }

    fn payment(&mut self) {
        let document = self.document;
        if let Some(account) = document.account.as_deref().filter(|_| document.sort == DocumentSort::Invoice) {
            // 30: credit transfer (UNTDID 4461).
            self.inside("PaymentMeans", |xml| {
                xml.leaf("PaymentMeansCode", "30");
                xml.inside("PayeeFinancialAccount", |xml| xml.leaf("ID", account));
            });
        }
        let terms = match document.sort {
            DocumentSort::Invoice => format!("payable within {} days", document.terms_days),
            DocumentSort::CreditNote => format!("paid back within {} days", document.terms_days),
        };
        self.inside("PaymentTerms", |xml| xml.leaf("Note", &terms));
    }

    fn adjustment(&mut self, adjustment: &Adjustment, value: Amount, of: Amount, tax: Option<&Tax>) {
        let charge = if adjustment.way == Way::Charge { "true" } else { "false" };
        self.inside("AllowanceCharge", |xml| {
            xml.leaf("ChargeIndicator", charge);
            xml.leaf("AllowanceChargeReason", &adjustment.reason);
            xml.leaf_if("MultiplierFactorNumeric", adjustment.percent.map(|p| p.to_string()).as_deref());
            xml.amount("Amount", value);
            if adjustment.percent.is_some() {
                xml.amount("BaseAmount", of);
            }
            if let Some(tax) = tax {
                xml.tax("TaxCategory", tax, None);
            }
        });
    }

    fn tax(&mut self, name: &str, tax: &Tax, reason: Option<&str>) {
        self.inside(name, |xml| {
            xml.leaf("ID", &tax.category);
            xml.leaf_if("Percent", tax.percent.map(|percent| percent.to_string()).as_deref());
            xml.leaf_if("TaxExemptionReason", reason);
            xml.inside("TaxScheme", |xml| xml.leaf("ID", "VAT"));
        });
    }

    fn totals(&mut self) {
        let totals = &self.document.totals;
        self.inside("TaxTotal", |xml| {
            xml.amount("TaxAmount", totals.tax);
            for sum in &totals.taxes {
                xml.inside("TaxSubtotal", |xml| {
                    xml.amount("TaxableAmount", sum.taxable);
                    xml.amount("TaxAmount", sum.amount);
                    xml.tax("TaxCategory", &sum.tax, sum.tax.reason.as_deref());
                });
            }
        });
        self.inside("LegalMonetaryTotal", |xml| {
            xml.amount("LineExtensionAmount", totals.lines);
            xml.amount("TaxExclusiveAmount", totals.without_tax);
            xml.amount("TaxInclusiveAmount", totals.with_tax);
            xml.amount("AllowanceTotalAmount", totals.allowances);
            xml.amount("ChargeTotalAmount", totals.charges);
            xml.amount("PrepaidAmount", totals.paid);
            xml.amount("PayableAmount", totals.payable);
        });
    }

    fn line(&mut self, number: usize, line: &Line) -> Result<(), Fault> {
        let document = self.document;
        let (element, quantity) = match document.sort {
            DocumentSort::Invoice => ("InvoiceLine", "InvoicedQuantity"),
            DocumentSort::CreditNote => ("CreditNoteLine", "CreditedQuantity"),
        };
        let (digits, rounding) = (document.currency.digits(), document.rounding);
        let gross = line.price.times(line.quantity, line.base, digits, rounding)?;
        let adjusted = line.adjustments.iter().map(|one| Ok((one, line.adjusted_by(one, digits, rounding)?)));
        let adjusted = adjusted.collect::<Result<Vec<_>, Fault>>()?;
        self.inside(element, |xml| {
            xml.leaf("ID", &number.to_string());
            let unit = escaped(&line.unit);
            let amount = line.quantity;
            xml.text.push_str(&format!("<cbc:{quantity} unitCode=\"{unit}\">{amount}</cbc:{quantity}>\n"));
            xml.amount("LineExtensionAmount", line.net);
            if let Some(day) = line.day {
                xml.inside("InvoicePeriod", |xml| {
                    xml.leaf("StartDate", &day.to_string());
                    xml.leaf("EndDate", &day.to_string());
                });
            }
            for (adjustment, value) in adjusted {
                xml.adjustment(adjustment, value, gross, None);
            }
            xml.inside("Item", |xml| {
                xml.leaf("Name", &line.words);
                xml.tax("ClassifiedTaxCategory", &line.tax, None);
            });
            xml.inside("Price", |xml| {
                // A price has as many places as it needs (BR-DEC does not bound it).
                let price = line.price.fixed(xml.document.currency.digits());
                let currency = xml.document.currency;
                xml.text.push_str(&format!("<cbc:PriceAmount currencyID=\"{currency}\">{price}</cbc:PriceAmount>\n"));
                let base = line.base;
                xml.text.push_str(&format!("<cbc:BaseQuantity unitCode=\"{unit}\">{base}</cbc:BaseQuantity>\n"));
            });
        });
        Ok(())
    }
}
