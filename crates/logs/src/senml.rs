//! SenML (RFC 8428) in JSON, read: a pack with base fields and relative times becomes records that stand for themselves.

use serde::Deserialize;

/// Why a pack was refused, as a sentence: the record's number and what is wrong with it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refused(pub String);

impl std::fmt::Display for Refused {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for Refused {}

/// Times below this are relative to now (RFC 8428, section 4.5.3), s.
const ABSOLUTE_S: f64 = 268_435_456.0;
/// [`read`]'s times below this, with a `now` of 0, were relative, ms.
pub const ABSOLUTE_MS: i64 = 268_435_456_000;
/// The version that RFC 8428 describes; a later one that changes the meaning has a greater number (section 4.4).
const VERSION: u32 = 10;
/// Records of a pack at most.
const MOST: usize = 100_000;

#[derive(Deserialize)]
struct Raw {
    bn: Option<String>,
    bt: Option<f64>,
    bu: Option<String>,
    bv: Option<f64>,
    bs: Option<f64>,
    bver: Option<u32>,
    n: Option<String>,
    u: Option<String>,
    v: Option<f64>,
    vs: Option<String>,
    vb: Option<bool>,
    vd: Option<String>,
    s: Option<f64>,
    t: Option<f64>,
    #[serde(flatten)]
    others: std::collections::BTreeMap<String, serde_json::Value>,
}

/// What a record says.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// A number.
    Number(f64),
    /// True or false.
    Switch(bool),
    /// A text.
    Text(String),
    /// Bytes, as base64 without padding, as they came.
    Data(String),
    /// Only a sum (field `s`), no value.
    Nothing,
}

/// A record that stands for itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    /// Base name and name.
    pub name: String,
    /// Unit of the registry, if told.
    pub unit: Option<String>,
    /// ms since 1970 UTC.
    pub time: i64,
    /// What it says.
    pub value: Value,
    /// Integrated value, if told.
    pub sum: Option<f64>,
}

fn check_name(name: &str) -> Result<(), String> {
    let is_good = name.starts_with(|c: char| c.is_ascii_alphanumeric())
        && name.chars().all(|c| c.is_ascii_alphanumeric() || "-:./_".contains(c));
    if is_good {
        Ok(())
    } else {
        Err(format!("the name \"{name}\" must begin with a letter or digit and hold only these and -:./_"))
    }
}

/// Reads a pack; `now` is what relative times are relative to, ms since 1970 UTC.
///
/// # Errors
///
/// [`Refused`] with the record's number and what is wrong with it.
pub fn read(text: &str, now: i64) -> Result<Vec<Record>, Refused> {
    let raw: Vec<Raw> =
        serde_json::from_str(text).map_err(|e| Refused(format!("this is no SenML in JSON: {e}")))?;
    if raw.len() > MOST {
        return Err(Refused(format!("{} records; send at most {MOST} at once", raw.len())));
    }
    let (mut bn, mut bt, mut bu, mut bv, mut bs) = (String::new(), 0.0, None, None, None);
    let mut records = Vec::new();
    for (i, r) in raw.into_iter().enumerate() {
        let wrong = |what: &str| Refused(format!("record {}: {what}", i + 1));
        if r.bver.is_some_and(|version| version > VERSION) {
            return Err(wrong("a later version of SenML than this program knows"));
        }
        if let Some(label) = r.others.keys().find(|label| label.ends_with('_')) {
            return Err(wrong(&format!("the label \"{label}\" must be understood and is not known")));
        }
        bn = r.bn.unwrap_or(bn);
        bt = r.bt.unwrap_or(bt);
        bu = r.bu.or(bu);
        bv = r.bv.or(bv);
        bs = r.bs.or(bs);
        let name = bn.clone() + r.n.as_deref().unwrap_or_default();
        let value = match (r.v, r.vb, r.vs, r.vd) {
            (Some(v), None, None, None) => Value::Number(v + bv.unwrap_or(0.0)),
            (None, Some(v), None, None) => Value::Switch(v),
            (None, None, Some(v), None) => Value::Text(v),
            (None, None, None, Some(v)) => Value::Data(v),
            // A base value alone is a value (section 4.6, "Base Value").
            (None, None, None, None) if bv.is_some() && r.n.is_some() => Value::Number(bv.unwrap_or(0.0)),
            (None, None, None, None) if r.s.is_some() || bs.is_some() => Value::Nothing,
            // A record that only sets base fields.
            (None, None, None, None) if r.n.is_none() => continue,
            (None, None, None, None) => return Err(wrong("it has neither a value nor a sum")),
            _ => return Err(wrong("it has more than one value")),
        };
        check_name(&name).map_err(|what| wrong(&what))?;
        let seconds = bt + r.t.unwrap_or(0.0);
        let ms = (seconds * 1000.0).round();
        if !ms.is_finite() || ms.abs() > crate::LATEST_TIME as f64 {
            return Err(wrong("its time is beyond the year 2109"));
        }
        let time = if seconds < ABSOLUTE_S { now + ms as i64 } else { ms as i64 };
        let sum = match (r.s, bs) {
            (None, None) => None,
            (s, base) => Some(s.unwrap_or(0.0) + base.unwrap_or(0.0)),
        };
        records.push(Record { name, unit: r.u.or_else(|| bu.clone()), time, value, sum });
    }
    Ok(records)
}
