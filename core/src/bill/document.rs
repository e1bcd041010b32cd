//! A bill: invoice or credit note, its lines and its totals.
//!
//! Promises: [`Document::reckoned`] computes every amount from quantities, prices, allowances, charges and taxes alone,
//! by EN 16931: line net amounts rounded one by one, BR-CO-10 to BR-CO-16 for the sums, BR-CO-17 for the tax of each
//! category and rate from the *category's* sum. All arithmetic is checked. A document that is issued is never reckoned anew.
//!
//! Never: a clock, a number of its own making.

use super::amount::{Amount, Rounding};
use super::calendar::{Currency, Day};
use super::matter::Matter;
use crate::entry::EntryRef;
use crate::fact::{check_free_text, check_name};
use crate::fault::{Fault, code};
use crate::ids::{ClashId, Hash, OfficeId};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Most lines of one document: a month of a fleet; larger ones are cut by period or job.
pub const LINES_MAX: usize = 5_000;

/// A postal address.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Address {
    /// Street and number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub street: Option<String>,
    /// Postal code.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub postcode: Option<String>,
    /// City.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub city: Option<String>,
    /// Country, two letters of ISO 3166-1.
    pub country: String,
}

/// Seller or buyer.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Party {
    /// Full name.
    pub name: String,
    /// Address.
    pub address: Address,
    /// VAT identifier, with its country's letters.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub vat_id: Option<String>,
    /// Number in a register of companies.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub register_id: Option<String>,
    /// Electronic address for bills.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub email: Option<String>,
}

impl Party {
    /// Whether it may be written down.
    ///
    /// # Errors
    /// A fault with its place.
    pub fn check(&self) -> Result<(), Fault> {
        let Address { street, postcode, city, country } = &self.address;
        let texts = [
            ("/name", Some(&self.name)),
            ("/address/street", street.as_ref()),
            ("/address/postcode", postcode.as_ref()),
            ("/address/city", city.as_ref()),
            ("/vat_id", self.vat_id.as_ref()),
            ("/register_id", self.register_id.as_ref()),
            ("/email", self.email.as_ref()),
        ];
        for (pointer, text) in texts {
            text.map_or(Ok(()), |text| check_name(text).map_err(|fault| fault.under(pointer)))?;
        }
        if country.len() != 2 || !country.bytes().all(|c| c.is_ascii_uppercase()) {
            return Err(Fault::new(code::OUT_OF_RANGE, "/address/country", "two capital letters of ISO 3166-1"));
        }
        Ok(())
    }
}

/// Codes of tax categories (UNTDID 5305) that EN 16931 knows, and what each asks for.
const CATEGORIES: &[(&str, RateIs, bool)] = &[
    ("S", RateIs::AboveZero, false),
    ("Z", RateIs::Zero, false),
    ("E", RateIs::Zero, true),
    ("AE", RateIs::Zero, true),
    ("K", RateIs::Zero, true),
    ("G", RateIs::Zero, true),
    ("O", RateIs::None, true),
    ("L", RateIs::Any, false),
    ("M", RateIs::Any, false),
    ("B", RateIs::Any, false),
];

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum RateIs {
    AboveZero,
    Zero,
    None,
    Any,
}

/// The tax of a line.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Tax {
    /// Category (UNTDID 5305): `S` standard, `Z` zero, `E` exempt, `AE` reverse charge, `K` `G` across a border, `O`
    /// outside the scope.
    pub category: String,
    /// Percent; none for `O`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub percent: Option<Amount>,
    /// Why there is none, for `E AE K G O`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub reason: Option<String>,
}

impl Tax {
    /// Whether it is a tax that EN 16931 knows.
    ///
    /// # Errors
    /// A fault with its place.
    pub fn check(&self) -> Result<(), Fault> {
        let known = CATEGORIES.iter().find(|(category, _, _)| *category == self.category);
        let Some((_, rate, reason)) = known else {
            return Err(Fault::new(code::OUT_OF_RANGE, "/category", "one of S Z E AE K G O L M"));
        };
        let hundred = Amount::whole(100)?;
        let fits = match (rate, self.percent) {
            (RateIs::None, percent) => percent.is_none(),
            (RateIs::Zero, percent) => percent.is_some_and(Amount::is_zero),
            (RateIs::AboveZero, Some(percent)) => !percent.is_zero() && !percent.is_negative() && percent <= hundred,
            (RateIs::Any, Some(percent)) => !percent.is_negative() && percent <= hundred,
            (RateIs::AboveZero | RateIs::Any, None) => false,
        };
        if !fits {
            let detail = "S has a rate above 0, O has none, Z E AE K G have 0";
            return Err(Fault::new(code::OUT_OF_RANGE, "/percent", detail));
        }
        match &self.reason {
            Some(reason) => check_name(reason).map_err(|fault| fault.under("/reason")),
            None if *reason => Err(Fault::new(code::OUT_OF_RANGE, "/reason", "say why there is no tax")),
            None => Ok(()),
        }
    }

    fn key(&self) -> (String, Option<Amount>) {
        (self.category.clone(), self.percent)
    }
}

/// Taken off or added, on a line or on a whole document.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Adjustment {
    /// Whether it is taken off or added.
    pub way: Way,
    /// How much, in the document's currency; or
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub amount: Option<Amount>,
    /// how many percent of the line, or of the sum of lines.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub percent: Option<Amount>,
    /// Why: stands on the bill.
    pub reason: String,
    /// Its tax; only on a document, a line's is the line's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub tax: Option<Tax>,
}

/// Which way an adjustment goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum Way {
    /// Taken off.
    Allowance,
    /// Added.
    Charge,
}

impl Adjustment {
    /// Whether it may be written down.
    ///
    /// # Errors
    /// A fault with its place.
    pub fn check(&self) -> Result<(), Fault> {
        check_name(&self.reason).map_err(|fault| fault.under("/reason"))?;
        if self.amount.is_some() == self.percent.is_some() {
            return Err(Fault::new(code::OUT_OF_RANGE, "/amount", "either an amount or a percentage"));
        }
        if self.amount.or(self.percent).is_some_and(Amount::is_negative) {
            return Err(Fault::new(code::OUT_OF_RANGE, "/amount", "not below zero: say allowance or charge"));
        }
        self.tax.as_ref().map_or(Ok(()), |tax| tax.check().map_err(|fault| fault.under("/tax")))
    }

    fn value(&self, of: Amount, digits: u32, rounding: Rounding) -> Result<Amount, Fault> {
        match (self.amount, self.percent) {
            (Some(amount), _) => amount.rounded(digits, rounding),
            (None, Some(percent)) => of.percent(percent, digits, rounding),
            (None, None) => Ok(Amount::ZERO),
        }
    }
}

/// Where a line comes from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "schema", schema(as = LineSource))]
pub struct Source {
    /// What it is for.
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub matter: Matter,
    /// Which of the matter's lines.
    pub part: String,
    /// How much the records said, in the line's unit; less than what was billed before, where a line is for a change.
    pub recorded: Amount,
    /// The office's decision that made it another line than the one proposed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub decided: Option<EntryRef>,
    /// An open disagreement the recorded amount depends on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub clash: Option<ClashId>,
}

/// One line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Line {
    /// Where it comes from; none if the office added it by hand.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub source: Option<Source>,
    /// What it is for, with the reason: `1 h 20 min labour, repair of EX3 (K7-412), mechanic rate`.
    pub words: String,
    /// Day of the work.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub day: Option<Day>,
    /// How much.
    pub quantity: Amount,
    /// Of what: UN/ECE Recommendation 20.
    pub unit: String,
    /// Price of `base` units.
    pub price: Amount,
    /// Of how many units the price is: 60 for an hour's price of minutes.
    pub base: Amount,
    /// Taken off and added.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub adjustments: Vec<Adjustment>,
    /// Its tax.
    pub tax: Tax,
    /// Reckoned: what it comes to without tax.
    #[serde(default)]
    pub net: Amount,
}

/// Tax of one category and rate.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct TaxSum {
    /// The category, rate and reason.
    pub tax: Tax,
    /// What is taxed (BT-116).
    pub taxable: Amount,
    /// The tax (BT-117).
    pub amount: Amount,
}

/// What a document comes to; names of business terms of EN 16931 in brackets.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Totals {
    /// Sum of lines (BT-106).
    pub lines: Amount,
    /// Taken off the document (BT-107).
    pub allowances: Amount,
    /// Added to the document (BT-108).
    pub charges: Amount,
    /// Without tax (BT-109).
    pub without_tax: Amount,
    /// Tax (BT-110).
    pub tax: Amount,
    /// With tax (BT-112).
    pub with_tax: Amount,
    /// Paid before (BT-113).
    pub paid: Amount,
    /// To be paid (BT-115).
    pub payable: Amount,
    /// Tax by category and rate (BG-23), in order of category and rate.
    pub taxes: Vec<TaxSum>,
}

/// What a document is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum DocumentSort {
    /// An invoice (UNTDID 1001 code 380).
    Invoice,
    /// A credit note (381): its amounts are what the customer gets back.
    CreditNote,
}

/// An invoice or credit note, as a draft or issued.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Document {
    /// Which.
    pub id: OfficeId,
    /// What it is.
    pub sort: DocumentSort,
    /// Its number; none while it is a draft.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub number: Option<String>,
    /// Day of issue.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub issued: Option<Day>,
    /// Day by which it is to be paid.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub due: Option<Day>,
    /// Numbers of the invoices it changes.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub changes: Vec<String>,
    /// First and last day of the work.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub period: Option<(Day, Day)>,
    /// Currency.
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub currency: Currency,
    /// How halves were rounded.
    pub rounding: Rounding,
    /// Who sends it.
    pub seller: Party,
    /// Account the money goes to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub account: Option<String>,
    /// The customer it is for.
    pub customer: OfficeId,
    /// The customer as it was then.
    pub buyer: Party,
    /// What the customer wants to see on it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub reference: Option<String>,
    /// Days in which it is to be paid.
    pub terms_days: u32,
    /// A sentence on it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub note: Option<String>,
    /// Its lines.
    pub lines: Vec<Line>,
    /// Taken off and added as a whole.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub adjustments: Vec<Adjustment>,
    /// What it comes to.
    pub totals: Totals,
}

/// What the sums of one tax are made of.
#[derive(Debug, Clone, Copy, Default)]
struct Taxable(Amount);

impl Document {
    /// The document with every amount reckoned. `paid` is what was paid before.
    ///
    /// # Errors
    /// `amount-overflow`; `out-of-range` for too many lines, a negative price (BR-27), an adjustment of a document
    /// without tax.
    pub fn reckoned(mut self, paid: Amount) -> Result<Self, Fault> {
        if self.lines.len() > LINES_MAX {
            return Err(Fault::new(code::OUT_OF_RANGE, "/lines", format!("at most {LINES_MAX} lines")));
        }
        let (digits, rounding) = (self.currency.digits(), self.rounding);
        let mut taxable: BTreeMap<(String, Option<Amount>), (Tax, Taxable)> = BTreeMap::new();
        let mut add = |tax: &Tax, amount: Amount| -> Result<(), Fault> {
            let (_, sum) = taxable.entry(tax.key()).or_insert_with(|| (tax.clone(), Taxable::default()));
            sum.0 = sum.0.plus(amount)?;
            Ok(())
        };
        for (index, line) in self.lines.iter_mut().enumerate() {
            line.net = line.reckoned(digits, rounding).map_err(|fault| fault.under(&format!("/lines/{index}")))?;
            add(&line.tax, line.net)?;
        }
        let lines = Amount::sum(self.lines.iter().map(|line| line.net))?;
        let (mut allowances, mut charges) = (Amount::ZERO, Amount::ZERO);
        for (index, adjustment) in self.adjustments.iter_mut().enumerate() {
            let place = format!("/adjustments/{index}");
            let value = adjustment.value(lines, digits, rounding).map_err(|fault| fault.under(&place))?;
            let tax = adjustment.tax.as_ref();
            let tax =
                tax.ok_or_else(|| Fault::new(code::OUT_OF_RANGE, format!("{place}/tax"), "its tax is missing"))?;
            match adjustment.way {
                Way::Allowance => {
                    allowances = allowances.plus(value)?;
                    add(tax, value.negated())?;
                }
                Way::Charge => {
                    charges = charges.plus(value)?;
                    add(tax, value)?;
                }
            }
        }
        let taxes = taxable
            .into_values()
            .map(|(tax, Taxable(taxable))| {
                let amount = taxable.percent(tax.percent.unwrap_or_default(), digits, rounding)?;
                Ok(TaxSum { tax, taxable, amount })
            })
            .collect::<Result<Vec<_>, Fault>>()?;
        let without_tax = lines.minus(allowances)?.plus(charges)?;
        let tax = Amount::sum(taxes.iter().map(|sum| sum.amount))?;
        let with_tax = without_tax.plus(tax)?;
        let payable = with_tax.minus(paid)?;
        self.totals = Totals { lines, allowances, charges, without_tax, tax, with_tax, paid, payable, taxes };
        Ok(self)
    }

    /// What an adjustment of the whole document comes to.
    ///
    /// # Errors
    /// `amount-overflow`.
    pub fn adjusted_by(&self, adjustment: &Adjustment) -> Result<Amount, Fault> {
        adjustment.value(self.totals.lines, self.currency.digits(), self.rounding)
    }

    /// The same document, issued: with its number and days. Amounts stay as they are.
    #[must_use]
    pub fn issued(mut self, number: String, on: Day) -> Self {
        self.due = (self.sort == DocumentSort::Invoice).then(|| on.after(self.terms_days));
        self.number = Some(number);
        self.issued = Some(on);
        self
    }

    /// What it is for, each once.
    #[must_use]
    pub fn matters(&self) -> std::collections::BTreeSet<Matter> {
        self.lines.iter().filter_map(|line| line.source.as_ref()).map(|source| source.matter).collect()
    }

    /// Its canonical bytes: what is stored, and what its digest is of.
    ///
    /// # Errors
    /// If it cannot be written, which its types do not allow.
    pub fn canonical(&self) -> Result<Vec<u8>, Fault> {
        let value = serde_json::to_value(self).map_err(|e| Fault::new(code::MALFORMED_ENTRY, "", e.to_string()))?;
        Ok(crate::canonical::bytes(&value))
    }

    /// The document of such bytes.
    ///
    /// # Errors
    /// `malformed-document`.
    pub fn read(bytes: &[u8]) -> Result<Self, Fault> {
        serde_json::from_slice(bytes).map_err(|e| Fault::new(code::MALFORMED_DOCUMENT, "", e.to_string()))
    }

    /// SHA-256 of its canonical bytes: what the ledger says of it when it is issued.
    ///
    /// # Errors
    /// As [`Document::canonical`].
    pub fn digest(&self) -> Result<Hash, Fault> {
        Ok(Hash::of(&[b"pintle/bill/1\n", &self.canonical()?]))
    }

    /// Whether it may be issued: what a bill must say.
    ///
    /// # Errors
    /// `out-of-range` with the place of what is missing.
    pub fn check(&self) -> Result<(), Fault> {
        let missing = |pointer: &str, detail: &str| Fault::new(code::OUT_OF_RANGE, pointer, detail);
        if self.lines.is_empty() {
            return Err(missing("/lines", "a bill has at least one line"));
        }
        self.seller.check().map_err(|fault| fault.under("/seller"))?;
        self.buyer.check().map_err(|fault| fault.under("/buyer"))?;
        if let Some(note) = &self.note {
            check_free_text(note).map_err(|fault| fault.under("/note"))?;
        }
        for (index, line) in self.lines.iter().enumerate() {
            line.tax.check().map_err(|fault| fault.under(&format!("/lines/{index}/tax")))?;
        }
        let taxes: Vec<&str> = self.totals.taxes.iter().map(|sum| sum.tax.category.as_str()).collect();
        // BR-S-02 and its like: whoever charges tax, or says why not, is known to the tax office.
        if taxes.iter().any(|category| *category != "O") && self.seller.vat_id.is_none() {
            return Err(missing("/seller/vat_id", "a bill with tax names the seller's tax number"));
        }
        // BR-AE-02, BR-IC-02: whoever owes the tax instead.
        if taxes.iter().any(|category| ["AE", "K"].contains(category)) && self.buyer.vat_id.is_none() {
            return Err(missing("/buyer/vat_id", "where the customer owes the tax, the bill names its tax number"));
        }
        // BR-O-11: what is outside the scope of tax stands on a bill of its own.
        if taxes.contains(&"O") && taxes.iter().any(|category| *category != "O") {
            return Err(missing("/lines", "what is outside the scope of tax stands on a bill of its own"));
        }
        Ok(())
    }
}

impl Line {
    fn reckoned(&self, digits: u32, rounding: Rounding) -> Result<Amount, Fault> {
        if self.price.is_negative() {
            return Err(Fault::new(code::OUT_OF_RANGE, "/price", "not below zero: the quantity may be"));
        }
        let gross = self.price.times(self.quantity, self.base, digits, rounding)?;
        self.adjustments.iter().try_fold(gross, |net, adjustment| {
            let value = adjustment.value(gross, digits, rounding)?;
            match adjustment.way {
                Way::Allowance => net.minus(value),
                Way::Charge => net.plus(value),
            }
        })
    }

    /// What an adjustment of this line comes to.
    ///
    /// # Errors
    /// `amount-overflow`.
    pub fn adjusted_by(&self, adjustment: &Adjustment, digits: u32, rounding: Rounding) -> Result<Amount, Fault> {
        let gross = self.price.times(self.quantity, self.base, digits, rounding)?;
        adjustment.value(gross, digits, rounding)
    }
}
