//! What a source printed, name by name: how often, between which values, in which words. Bounded.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::parse::{Printed, Value};

/// Names that are kept apart.
pub const MOST_NAMES: usize = 256;
/// Different words of a name that are kept.
const MOST_WORDS: usize = 8;
/// Steps of time that are looked at for the usual one.
const STEPS: usize = 64;

/// One name.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Seen {
    /// Values.
    pub n: u64,
    /// Of these, numbers.
    pub n_numbers: u64,
    /// Smallest and largest number.
    pub range: Option<(f64, f64)>,
    /// Different words, in the order of their coming.
    pub words: Vec<String>,
    /// More different words came.
    pub has_more_words: bool,
    /// How often it said that there is no value.
    pub n_nothing: u64,
    /// Unit as printed.
    pub unit: Option<String>,
    /// The last value as text.
    pub last: String,
    /// Numbers are only 0 and 1.
    pub is_zero_one: bool,
    #[serde(skip)]
    before: Option<i64>,
    #[serde(skip)]
    steps: Vec<i64>,
}

/// All names.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Names {
    names: BTreeMap<String, Seen>,
    order: Vec<String>,
}

impl Names {
    /// Takes a value that came at `now`, ms. `false`: its name is one too many.
    pub fn take(&mut self, printed: &Printed, now: Option<i64>) -> bool {
        if !self.names.contains_key(&printed.name) {
            if self.names.len() == MOST_NAMES {
                return false;
            }
            self.order.push(printed.name.clone());
        }
        let seen = self.names.entry(printed.name.clone()).or_default();
        seen.take(printed, printed.time.or(now));
        true
    }

    /// In the order of their coming.
    pub fn iter(&self) -> impl Iterator<Item = (&str, &Seen)> {
        self.order.iter().filter_map(|name| Some((name.as_str(), self.names.get(name)?)))
    }

    /// One name.
    pub fn get(&self, name: &str) -> Option<&Seen> {
        self.names.get(name)
    }

    /// How many.
    pub fn len(&self) -> usize {
        self.names.len()
    }

    /// None yet.
    pub fn is_empty(&self) -> bool {
        self.names.is_empty()
    }

    /// Usual time from one value of a name to its next, ms: the longest among the names. None: nobody can tell.
    pub fn usual_step(&self) -> Option<i64> {
        self.names.values().filter_map(Seen::usual_step).max()
    }
}

impl Seen {
    fn take(&mut self, printed: &Printed, time: Option<i64>) {
        self.n += 1;
        if self.unit.is_none() {
            self.unit.clone_from(&printed.unit);
        }
        match &printed.value {
            Value::Nothing => {
                self.n_nothing += 1;
                self.last = "-".to_owned();
            }
            Value::Number(number) => {
                let is_bit = *number == 0.0 || *number == 1.0;
                self.is_zero_one = is_bit && (self.n_numbers == 0 || self.is_zero_one);
                self.n_numbers += 1;
                let (least, most) = self.range.unwrap_or((*number, *number));
                self.range = Some((least.min(*number), most.max(*number)));
                self.last = number.to_string();
            }
            Value::Word(word) => {
                if !self.words.contains(word) {
                    if self.words.len() < MOST_WORDS {
                        self.words.push(word.clone());
                    } else {
                        self.has_more_words = true;
                    }
                }
                self.last.clone_from(word);
            }
        }
        if let Some(time) = time {
            if let Some(step) = self.before.map(|before| time - before).filter(|step| *step > 0)
                && self.steps.len() < STEPS
            {
                self.steps.push(step);
            }
            self.before = Some(time);
        }
    }

    /// Usual time from one value to the next, ms.
    pub fn usual_step(&self) -> Option<i64> {
        let mut steps = self.steps.clone();
        steps.sort_unstable();
        steps.get(steps.len() / 2).copied()
    }

    /// It has two states: two words at most and no number, or the numbers 0 and 1.
    pub fn is_switch(&self) -> bool {
        let of_words = self.n_numbers == 0 && (1..=2).contains(&self.words.len()) && !self.has_more_words;
        of_words || self.is_zero_one && self.words.is_empty() && self.n_numbers > 0
    }
}
