//! Conditions that a result must not meet, such as `margin<0` or `change>-3`: for acceptance tests on a bench.
//!
//! A condition names a quantity, a relation and a bound, and is violated wherever a value of that quantity stands in
//! that relation to the bound. A value that does not exist is never a pass: it is reported as not judged.

use std::fmt;
use std::str::FromStr;

use crate::capture::Role;
use crate::error::{Error, printable};

/// How a value stands to the bound where the condition is violated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Relation {
    Below,
    AtMost,
    Above,
    AtLeast,
}

/// The relations as they are written, the longer ones first.
const RELATIONS: [(&str, Relation); 4] =
    [("<=", Relation::AtMost), (">=", Relation::AtLeast), ("<", Relation::Below), (">", Relation::Above)];

/// What a result must not meet.
#[derive(Debug, Clone, PartialEq)]
pub struct Condition {
    /// The channel that it is for; both where there is none.
    role: Option<Role>,
    /// The quantity.
    quantity: String,
    relation: Relation,
    bound: f64,
}

impl Condition {
    /// The quantity that it names.
    pub fn quantity(&self) -> &str {
        &self.quantity
    }

    fn is_met_by(&self, value: f64) -> bool {
        match self.relation {
            Relation::Below => value < self.bound,
            Relation::AtMost => value <= self.bound,
            Relation::Above => value > self.bound,
            Relation::AtLeast => value >= self.bound,
        }
    }

    /// What a value has to be, in words.
    fn allowed(&self) -> String {
        let word = match self.relation {
            Relation::Below => "at least",
            Relation::AtMost => "more than",
            Relation::Above => "at most",
            Relation::AtLeast => "less than",
        };
        format!("{word} {}", self.bound).replace('-', "−")
    }
}

impl FromStr for Condition {
    type Err = Error;

    /// Reads `margin<0`, `change>-3`, `wire.level>=60`.
    fn from_str(text: &str) -> Result<Self, Error> {
        let refuse = || {
            Error::usage(format!("\"{}\" is no condition", printable(text)))
                .expected("a quantity, one of < <= > >=, and a number, such as margin<0 or wire.change>-3")
        };
        let (sign, relation) = RELATIONS.into_iter().find(|(sign, _)| text.contains(sign)).ok_or_else(refuse)?;
        let (quantity, bound) = text.split_once(sign).ok_or_else(refuse)?;
        let (role, quantity) = match quantity.trim().split_once('.') {
            Some(("wire", quantity)) => (Some(Role::Wire), quantity),
            Some(("air", quantity)) => (Some(Role::Air), quantity),
            Some(_) => return Err(refuse()),
            None => (None, quantity.trim()),
        };
        let bound = bound.trim().replace('−', "-").parse::<f64>().ok().filter(|bound| bound.is_finite());
        if quantity.is_empty() || !quantity.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_') {
            return Err(refuse());
        }
        Ok(Self { role, quantity: quantity.to_owned(), relation, bound: bound.ok_or_else(refuse)? })
    }
}

impl fmt::Display for Condition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let role = self.role.map_or(String::new(), |role| format!("{}.", role.name()));
        let sign = RELATIONS.iter().find(|(_, relation)| *relation == self.relation).map_or("", |(sign, _)| sign);
        write!(f, "{role}{}{sign}{}", self.quantity, self.bound)
    }
}

/// A quantity that a command offers: its name, its unit, what its values are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Offer {
    /// The name that conditions use.
    pub name: &'static str,
    /// The unit of its values; empty where there is none.
    pub unit: &'static str,
    /// What its values are.
    pub about: &'static str,
}

/// A value of a quantity at a place.
#[derive(Debug, Clone, PartialEq)]
pub struct Value {
    /// The quantity, by its name.
    pub quantity: &'static str,
    /// The channel; none where it is of both together.
    pub role: Option<Role>,
    /// Where it is: capture, channel, band or frequency.
    pub place: String,
    /// The value; an end of an interval that does not exist is infinite.
    pub value: Option<f64>,
    /// Why there is none.
    pub reason: Option<String>,
}

/// What the conditions say of a result.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Judgement {
    /// Each violation in a sentence: place, value, what is allowed.
    pub violations: Vec<String>,
    /// What could not be judged, each in a sentence.
    pub not_judged: Vec<String>,
}

/// Whether conditions name quantities that are offered.
///
/// # Errors
/// A quantity that is not; the accepted ones are listed.
pub fn check(conditions: &[Condition], offered: &[Offer]) -> Result<(), Error> {
    let unknown = conditions.iter().find(|condition| !offered.iter().any(|row| row.name == condition.quantity));
    let Some(unknown) = unknown else { return Ok(()) };
    let names: Vec<&str> = offered.iter().map(|row| row.name).collect();
    Err(Error::usage(format!("--fail-on: there is no quantity \"{}\" here", printable(&unknown.quantity)))
        .expected(format!("one of: {}", names.join(", "))))
}

/// Holds values against conditions.
///
/// # Errors
/// As [`check`].
pub fn judge(conditions: &[Condition], offered: &[Offer], values: &[Value]) -> Result<Judgement, Error> {
    check(conditions, offered)?;
    let mut judgement = Judgement::default();
    for condition in conditions {
        let quantity = offered.iter().find(|row| row.name == condition.quantity);
        let unit = quantity.map_or("", |row| row.unit);
        let mut count = 0;
        let asked = values.iter().filter(|value| value.quantity == condition.quantity);
        for value in asked.filter(|value| condition.role.is_none() || value.role == condition.role) {
            count += 1;
            match value.value {
                Some(number) if number.is_nan() => judgement.not_judged.push(missing(condition, value)),
                Some(number) if condition.is_met_by(number) => {
                    judgement.violations.push(format!(
                        "{}: {} is {}, allowed is {} [{condition}]",
                        printable(&value.place),
                        value.quantity,
                        with_unit(&written(number), unit),
                        with_unit(&condition.allowed(), unit)
                    ));
                }
                Some(_) => {}
                None => judgement.not_judged.push(missing(condition, value)),
            }
        }
        if count == 0 {
            judgement.not_judged.push(format!("there is no {} in this result [{condition}]", condition.quantity));
        }
    }
    Ok(judgement)
}

fn missing(condition: &Condition, value: &Value) -> String {
    let reason = value.reason.as_ref().map_or(String::new(), |reason| format!(": {reason}"));
    format!("{}: there is no {}{reason} [{condition}]", printable(&value.place), value.quantity)
}

fn with_unit(number: &str, unit: &str) -> String {
    if unit.is_empty() { number.to_owned() } else { format!("{number} {unit}") }
}

/// Three decimals; an end that does not exist in words.
fn written(value: f64) -> String {
    match value {
        f64::INFINITY => "without an upper end".into(),
        f64::NEG_INFINITY => "without a lower end".into(),
        value => format!("{value:.3}").replace('-', "−"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const OFFERED: &[Offer] = &[
        Offer { name: "change", unit: "dB", about: "the change" },
        Offer { name: "margin", unit: "dB", about: "the margin" },
    ];

    fn value(quantity: &'static str, role: Role, value: Option<f64>) -> Value {
        Value { quantity, role: Some(role), place: format!("a.csv, {}", role.name()), value, reason: None }
    }

    fn judged(condition: &str, values: &[Value]) -> Judgement {
        judge(&[condition.parse().unwrap()], OFFERED, values).unwrap()
    }

    #[test]
    fn conditions_are_read_and_written() {
        for text in ["margin<0", "change>-3", "wire.change>=-3.5", "air.margin<=1"] {
            assert_eq!(text.parse::<Condition>().unwrap().to_string(), text);
        }
        assert_eq!(" change > −3 ".parse::<Condition>().unwrap().to_string(), "change>-3");
        for text in ["", "margin", "margin<", "<0", "margin<x", "margin<nan", "margin<inf", "a b<0", "left.x<0", "m=0"]
        {
            assert!(text.parse::<Condition>().is_err(), "{text}");
        }
    }

    #[test]
    fn a_value_at_the_bound_violates_only_where_the_sign_says_so() {
        for (condition, number, count) in [
            ("change>-3", -3.0, 0),
            ("change>=-3", -3.0, 1),
            ("change>-3", -2.9, 1),
            ("margin<0", 0.0, 0),
            ("margin<=0", 0.0, 1),
            ("margin<0", -0.1, 1),
            ("change>-3", f64::INFINITY, 1),
            ("change>-3", f64::NEG_INFINITY, 0),
        ] {
            let quantity = if condition.starts_with('m') { "margin" } else { "change" };
            let found = judged(condition, &[value(quantity, Role::Wire, Some(number))]);
            assert_eq!((found.violations.len(), found.not_judged.len()), (count, 0), "{condition} {number}");
        }
        let found = judged("change>-3", &[value("change", Role::Wire, Some(-1.5))]);
        assert_eq!(found.violations, ["a.csv, wire: change is −1.500 dB, allowed is at most −3 dB [change>-3]"]);
    }

    #[test]
    fn what_does_not_exist_is_no_pass() {
        for values in
            [vec![], vec![value("change", Role::Wire, None)], vec![value("change", Role::Wire, Some(f64::NAN))]]
        {
            assert_eq!(judged("change>-3", &values).not_judged.len(), 1, "{values:?}");
        }
        // Another channel's value does not stand in.
        let values = [value("change", Role::Wire, Some(-9.0))];
        assert_eq!(judged("air.change>-3", &values).not_judged, ["there is no change in this result [air.change>-3]"]);
        assert_eq!(judged("wire.change>-3", &values), Judgement::default());
    }

    #[test]
    fn an_unknown_quantity_lists_the_accepted_ones() {
        let error = judge(&["loudness>3".parse().unwrap()], OFFERED, &[]).unwrap_err().to_string();
        assert!(error.contains("loudness") && error.contains("change, margin"), "{error}");
    }
}
