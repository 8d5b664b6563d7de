//! What differs between two texts of a system file, thing by thing in words; and the second text with one of these changes left out.
//!
//! A thing is a part, a rule, an alarm and so on of a list, or one key of a plain table. Order, comments and spacing are no change. Both texts must
//! be TOML; whether they are systems does not matter here.

use toml_edit::{ArrayOfTables, DocumentMut, Item, Table, TableLike};

/// How a thing changed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Kind {
    /// Only the second text has it.
    Added,
    /// Only the first text has it.
    Removed,
    /// Both have it, otherwise.
    Changed,
}

/// One thing that differs.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Change {
    /// How.
    pub kind: Kind,
    /// The table or list it is in, as in `actuator`.
    pub table: String,
    /// Which of them: its name, what a rule drives, the key of a plain table.
    pub name: String,
    /// What differs in it: key, before, after; empty where it stands in one text alone.
    pub details: Vec<Detail>,
    /// What a thing that stands in one text alone says there.
    body: String,
}

/// One key that differs.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Detail {
    /// Key.
    pub key: String,
    /// Value in the first text, as written; None: it had none.
    pub before: Option<String>,
    /// Value in the second text.
    pub after: Option<String>,
}

impl Change {
    /// The thing, as in "rule of heater" or "[system] unattended".
    pub fn thing(&self) -> String {
        match self.table.as_str() {
            "rule" => format!("rule of {}", self.name),
            "accepted" => format!("accepted risk {}", self.name),
            table if self.is_key() => format!("[{table}] {}", self.name),
            table => format!("{table} {}", self.name),
        }
    }

    fn is_key(&self) -> bool {
        matches!(self.details.as_slice(), [detail] if detail.key == self.name && !LISTS.contains(&self.table.as_str()))
    }

    /// The whole in a sentence.
    pub fn words(&self) -> String {
        let shown = |value: &Option<String>| value.clone().unwrap_or_else(|| "nothing".to_owned());
        match (self.kind, self.is_key()) {
            (_, true) => {
                let detail = &self.details[0];
                format!("{}: {} becomes {}", self.thing(), shown(&detail.before), shown(&detail.after))
            }
            (Kind::Added, _) => format!("{} is new", self.thing()),
            (Kind::Removed, _) => format!("{} is gone", self.thing()),
            (Kind::Changed, _) => {
                let all: Vec<String> = (self.details.iter())
                    .map(|d| format!("{} {} becomes {}", d.key, shown(&d.before), shown(&d.after)))
                    .collect();
                format!("{}: {}", self.thing(), all.join("; "))
            }
        }
    }
}

/// Lists of things, which have their names.
const LISTS: [&str; 16] = [
    "accepted",
    "actuator",
    "air",
    "alarm",
    "board",
    "climate",
    "corner",
    "device",
    "page",
    "passage",
    "procedure",
    "requirement",
    "rule",
    "sensor",
    "signal",
    "supply",
];

/// All that differs, in the order of the second text, what is gone last.
///
/// # Errors
/// A text that is no TOML: which (0 or 1), and the sentence of the reader.
pub fn changes(first: &str, second: &str) -> Result<Vec<Change>, (usize, String)> {
    let (a, b) = (read(first, 0)?, read(second, 1)?);
    let mut all = vec![];
    let tables = || {
        b.iter().map(|(key, _)| key).chain(a.iter().map(|(key, _)| key).filter(|key| !b.contains_key(key)))
    };
    for table in tables() {
        let (of_a, of_b) = (a.get(table), b.get(table));
        if of_a.or(of_b).is_some_and(Item::is_array_of_tables) {
            lists(table, of_a, of_b, &mut all);
        } else {
            keys(table, of_a.and_then(Item::as_table_like), of_b.and_then(Item::as_table_like), &mut all);
        }
    }
    all.sort_by_key(|change| change.kind == Kind::Removed);
    Ok(all)
}

fn read(text: &str, which: usize) -> Result<DocumentMut, (usize, String)> {
    text.parse::<DocumentMut>().map_err(|error| (which, error.message().to_owned()))
}

/// A value as written, without comments and in one line.
fn written(item: &Item) -> String {
    let mut item = item.clone();
    if let Some(value) = item.as_value_mut() {
        value.decor_mut().clear();
    }
    let text = item.to_string();
    let lines: Vec<&str> = text.lines().map(|l| l.split(" #").next().unwrap_or(l).trim()).collect();
    lines.join(" ").split_whitespace().collect::<Vec<_>>().join(" ")
}

fn differing(a: Option<&dyn TableLike>, b: Option<&dyn TableLike>) -> Vec<Detail> {
    let of = |t: Option<&dyn TableLike>, key: &str| t.and_then(|t| t.get(key)).map(written);
    let keys_of = |t: Option<&dyn TableLike>| {
        t.map(|t| t.iter().map(|(k, _)| k.to_owned()).collect::<Vec<_>>()).unwrap_or_default()
    };
    let mut keys = keys_of(b);
    keys.extend(keys_of(a).into_iter().filter(|k| !keys.contains(k)).collect::<Vec<_>>());
    (keys.into_iter())
        .map(|key| Detail { before: of(a, &key), after: of(b, &key), key })
        .filter(|d| d.before != d.after)
        .collect()
}

fn keys(table: &str, a: Option<&dyn TableLike>, b: Option<&dyn TableLike>, all: &mut Vec<Change>) {
    all.extend(differing(a, b).into_iter().map(|detail| Change {
        kind: match (&detail.before, &detail.after) {
            (None, _) => Kind::Added,
            (_, None) => Kind::Removed,
            _ => Kind::Changed,
        },
        table: table.to_owned(),
        name: detail.key.clone(),
        details: vec![detail],
        body: String::new(),
    }));
}

/// By what a thing of a list is known; things without a name by what they say, so that they keep it when others come or go.
fn name_of(table: &Table) -> String {
    let of = |key: &str| table.get(key).and_then(Item::as_str);
    if let (Some(part), Some(mode)) = (of("part"), of("mode")) {
        return format!("{part}:{mode} {}", of("requirement").unwrap_or("*"));
    }
    of("name").or(of("drives")).or(of("title")).map_or_else(
        || {
            let keys: Vec<String> =
                table.iter().map(|(key, item)| format!("{key} = {}", written(item))).collect();
            keys.join(", ")
        },
        str::to_owned,
    )
}

fn named(item: Option<&Item>) -> Vec<(String, &Table)> {
    let list = item.and_then(Item::as_array_of_tables).map(ArrayOfTables::iter);
    let mut out: Vec<(String, &Table)> = vec![];
    for table in list.into_iter().flatten() {
        // Accepted risks may differ in what their names leave out.
        let name = name_of(table);
        let same = out
            .iter()
            .filter(|(n, _)| *n == name || n.strip_prefix(&name).is_some_and(|r| r.starts_with(" (")))
            .count();
        out.push((if same == 0 { name } else { format!("{name} ({})", same + 1) }, table));
    }
    out
}

fn lists(table: &str, a: Option<&Item>, b: Option<&Item>, all: &mut Vec<Change>) {
    let (of_a, of_b) = (named(a), named(b));
    let find = |list: &[(String, &Table)], name: &str| list.iter().position(|(n, _)| n == name);
    let mut push = |kind, name: &str, details, body| {
        all.push(Change { kind, table: table.to_owned(), name: name.to_owned(), details, body });
    };
    for (name, now) in &of_b {
        match find(&of_a, name) {
            None => push(Kind::Added, name, vec![], now.to_string()),
            Some(k) => {
                let details = differing(Some(of_a[k].1), Some(*now));
                if !details.is_empty() {
                    push(Kind::Changed, name, details, String::new());
                }
            }
        }
    }
    for (name, was) in of_a.iter().filter(|(name, _)| find(&of_b, name).is_none()) {
        push(Kind::Removed, name, vec![], was.to_string());
    }
}

/// The second text with these changes left out: there it says what the first text says. Comments of the things that are put back are those of the
/// first text.
///
/// # Errors
/// As [`changes`].
pub fn without(first: &str, second: &str, left_out: &[&Change]) -> Result<String, (usize, String)> {
    let (a, mut b) = (read(first, 0)?, read(second, 1)?);
    // From behind, or the second of two alike would become the first before its turn.
    for change in left_out.iter().rev() {
        let before = a.get(&change.table);
        if before.or(b.get(&change.table)).is_some_and(Item::is_array_of_tables) {
            put_back(&mut b, change, named(before));
        } else {
            let old = before.and_then(Item::as_table_like).and_then(|t| t.get(&change.name)).cloned();
            let table = b.entry(&change.table).or_insert_with(|| Item::Table(Table::new()));
            let Some(table) = table.as_table_like_mut() else { continue };
            match old {
                Some(old) => drop(table.insert(&change.name, old)),
                None => drop(table.remove(&change.name)),
            }
        }
    }
    Ok(b.to_string())
}

fn put_back(b: &mut DocumentMut, change: &Change, before: Vec<(String, &Table)>) {
    let old = before.into_iter().find(|(name, _)| *name == change.name).map(|(_, table)| table.clone());
    let place = named(b.get(&change.table)).iter().position(|(name, _)| *name == change.name);
    let list = b.entry(&change.table).or_insert_with(|| Item::ArrayOfTables(ArrayOfTables::new()));
    let Some(list) = list.as_array_of_tables_mut() else { return };
    match (place, old) {
        (Some(place), Some(mut old)) => {
            if let Some(table) = list.get_mut(place) {
                old.set_position(table.position());
                *table = old;
            }
        }
        (Some(place), None) => drop(list.remove(place)),
        (None, Some(mut old)) => {
            // Behind the last of its list; anywhere would do.
            old.set_position(list.iter().filter_map(Table::position).max());
            list.push(old);
        }
        (None, None) => {}
    }
}

/// Changes that must be left out with this one, itself first: whatever names a thing that only one of the texts has.
pub fn belonging<'a>(change: &'a Change, all: &'a [Change]) -> Vec<&'a Change> {
    let mut out = vec![change];
    let mut at = 0;
    while let Some(of) = out.get(at).copied() {
        at += 1;
        // What is new may be named by whatever else is new; what is gone by what is gone with it.
        if of.kind == Kind::Changed || of.is_key() || of.table == "accepted" || of.table == "rule" {
            continue;
        }
        for other in all {
            if !out.contains(&other) && names(other, &of.name) {
                out.push(other);
            }
        }
    }
    out
}

/// Whether what a change brought (or took) has that name in it.
fn names(change: &Change, name: &str) -> bool {
    let holds =
        |value: &str| value.split(|c: char| !c.is_ascii_alphanumeric() && c != '_').any(|word| word == name);
    change.name == name
        || holds(&change.body)
        || change.details.iter().flat_map(|d| [&d.before, &d.after]).flatten().any(|value| holds(value))
}
