//! What a running station says of a board: programs that it was given with the reasons for rows that got worse, calibrations, proof tests and upkeep
//! that were done. To be given to others it is told without names.

use report::ListTable;
use serde_json::Value;

use super::care::table;
use super::share::scrubbed;
use crate::calendar;

/// Answers of the station.
pub struct Answers {
    /// `GET /api/v1/boards/{board}/revisions`.
    pub revisions: Value,
    /// `GET /api/v1/boards/{board}/calibrations`.
    pub calibrations: Value,
    /// `GET /api/v1/boards/{board}/care`: what was done.
    pub done: Value,
    /// `GET /api/v1/care`: what is to be done, for its titles.
    pub items: Value,
}

/// Who reads it.
pub enum Reader<'a> {
    /// Somebody of the house.
    House,
    /// Others: without who did it, and without these words and the names of everybody who stands in the lists.
    Others(&'a [String]),
}

fn text(value: &Value, key: &str) -> String {
    value[key].as_str().unwrap_or("").to_owned()
}

fn all(list: &Value) -> impl Iterator<Item = &Value> {
    list.as_array().into_iter().flatten()
}

fn day(one: &Value) -> String {
    calendar::iso(one["at_ms"].as_i64().unwrap_or(0).div_euclid(86_400_000))
}

/// How others are told of something: the words that they do not see.
struct Telling {
    with_names: bool,
    left_out: Vec<String>,
}

impl Telling {
    fn new(answers: &Answers, reader: &Reader<'_>) -> Telling {
        let Reader::Others(words) = reader else { return Telling { with_names: true, left_out: vec![] } };
        let mut left_out = words.to_vec();
        let calibrations = all(&answers.calibrations["calibrations"]);
        for one in all(&answers.revisions["revisions"]).chain(calibrations).chain(all(&answers.done)) {
            let reasons = all(&one["rows"]["worse"]).map(|row| &row["reason"]);
            left_out.extend(std::iter::once(one).chain(reasons).filter_map(|one| name(&text(one, "who"))));
        }
        left_out.sort();
        left_out.dedup();
        Telling { with_names: false, left_out }
    }

    fn said(&self, text: &str) -> String {
        if self.with_names { text.to_owned() } else { scrubbed(text, &self.left_out).0 }
    }

    /// A table; the column of names is the one headed "Who".
    fn table(&self, title: &str, heads: &[&str], rows: Vec<Vec<String>>) -> ListTable {
        let Some(who) = heads.iter().position(|head| *head == "Who").filter(|_| !self.with_names) else {
            return table(title, heads, rows);
        };
        let without = |row: Vec<String>| {
            let kept = row.into_iter().enumerate().filter(|(n, _)| *n != who);
            kept.map(|(_, cell)| self.said(&cell)).collect()
        };
        let heads: Vec<&str> = heads.iter().copied().filter(|head| *head != "Who").collect();
        table(title, &heads, rows.into_iter().map(without).collect())
    }
}

/// The name in a signature: an account, or an account by one of its tokens. What the station itself signs is nobody's.
fn name(who: &str) -> Option<String> {
    let name = who.split(" by token ").next().unwrap_or(who).trim();
    (!name.is_empty() && name != "station").then(|| name.to_owned())
}

/// The tables; those without a row are left out.
pub fn tables(board: &str, answers: &Answers, reader: &Reader<'_>) -> Vec<ListTable> {
    let telling = Telling::new(answers, reader);
    let tables = [
        revisions(board, &answers.revisions, &telling),
        worse(&answers.revisions, &telling),
        calibrations(&answers.calibrations, &telling),
        done("Proof tests done", "proof-test", answers, &telling),
        done("Upkeep done", "task", answers, &telling),
    ];
    tables.into_iter().filter(|table| !table.rows.is_empty()).collect()
}

fn revisions(board: &str, list: &Value, telling: &Telling) -> ListTable {
    let rows = all(&list["revisions"]).map(|one| {
        let runs = if one["is_running"] == true { "runs" } else { "" };
        vec![
            one["id"].to_string(),
            runs.to_owned(),
            day(one),
            text(one, "who"),
            text(one, "why"),
            one["bytes"].to_string(),
            text(one, "crc"),
        ]
    });
    let heads = ["No", "", "Day", "Who", "Why", "Bytes", "Program"];
    telling.table(&format!("Revisions of {board}"), &heads, rows.collect())
}

/// Rows of the FMEA that revisions made worse, each with its reason.
fn worse(list: &Value, telling: &Telling) -> ListTable {
    let rows = all(&list["revisions"]).flat_map(|one| {
        let sent = match one["rows"]["sent"].as_str() {
            Some("first") => "; sent before it was compared",
            Some("back") => "; a way back, compared afterwards",
            _ => "",
        };
        all(&one["rows"]["worse"]).map(move |row| {
            let (why, who) = match (row["reason"]["text"].as_str(), row["accepted"].as_str()) {
                (Some(why), _) => (why.to_owned(), text(&row["reason"], "who")),
                (None, Some(why)) if row["wants_reason"] != true => {
                    (format!("the file accepts it: {why}"), String::new())
                }
                _ => ("none was given".to_owned(), String::new()),
            };
            let against = one["rows"]["against"].as_i64().map_or("?".to_owned(), |n| n.to_string());
            vec![
                format!("{} beside {against}{sent}", one["id"]),
                text(row, "fault"),
                text(row, "before"),
                text(row, "after"),
                why,
                who,
            ]
        })
    });
    let heads = ["Revision", "Row", "Before", "After", "Why it may", "Who"];
    telling.table("Rows of the FMEA that revisions made worse", &heads, rows.collect())
}

fn calibrations(list: &Value, telling: &Telling) -> ListTable {
    let rows = all(&list["calibrations"])
        .map(|one| vec![day(one), text(one, "part"), text(one, "who"), text(one, "says"), text(one, "note")]);
    telling.table("Calibrations done", &["Day", "Part", "Who", "Came to", "By what"], rows.collect())
}

/// What was done of a kind, with what the board's records showed.
fn done(title: &str, kind: &str, answers: &Answers, telling: &Telling) -> ListTable {
    let item = |id: &Value| all(&answers.items).find(|item| item["id"] == *id);
    let is_of = |one: &&Value| match item(&one["item"]) {
        Some(item) => item["kind"] == kind,
        // What the file does not have any more was a test if it named a protection.
        None => (kind == "task") == text(one, "item").starts_with("task"),
    };
    let rows = all(&answers.done).filter(is_of).map(|one| {
        let title = item(&one["item"]).map_or_else(|| text(one, "item"), |item| text(item, "title"));
        let verdict = if one["passed"] == true { "passed" } else { "FAILED" };
        vec![day(one), title, text(one, "who"), verdict.to_owned(), text(one, "seen"), text(one, "note")]
    });
    telling.table(title, &["Day", "What", "Who", "Verdict", "Seen in the records", "Note"], rows.collect())
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::{Answers, Reader, tables};

    fn answers() -> Answers {
        Answers {
            revisions: json!({ "revisions": [{
                "id": 2, "at_ms": 86_400_000, "who": "Mara by token command", "why": "Mara wants it cooler", "bytes": 318, "crc": "aa", "is_running": true,
                "rows": { "against": 1, "sent": "first", "worse": [
                    { "fault": "heater:welded", "before": "holds", "after": "breaks `hot` after 5.3 h", "wants_reason": true,
                      "reason": { "text": "Jo sits beside it, call +44 20 7946 0000", "who": "Jo" } },
                    { "fault": "heater:dead", "before": "holds", "after": "accepted: `cold` after 9.9 h", "wants_reason": false, "accepted": "told hours before" },
                    { "fault": "float:stuck-up", "before": "holds", "after": "breaks `floor` after 2.0 h", "wants_reason": true }] } }] }),
            calibrations: json!({ "calibrations": [{ "at_ms": 0, "part": "ph", "who": "Jo", "says": "offset +1.20 mV", "note": "new buffers" }] }),
            done: json!([
                { "at_ms": 0, "item": "float:f", "who": "Jo", "passed": false, "seen": "the pump went on", "note": "Jo will mend it" },
                { "at_ms": 0, "item": "task:strainer", "who": "Jo", "passed": true, "seen": "", "note": "" }]),
            items: json!([{ "id": "float:f", "kind": "proof-test", "title": "Lift the float" },
                { "id": "task:strainer", "kind": "task", "title": "Rinse the strainer" }]),
        }
    }

    #[test]
    fn everything_that_was_done_stands_with_who_and_what_came_of_it() {
        let all = tables("reef", &answers(), &Reader::House);
        let titles: Vec<&str> = all.iter().map(|table| table.title.as_str()).collect();
        let wanted = [
            "Revisions of reef",
            "Rows of the FMEA that revisions made worse",
            "Calibrations done",
            "Proof tests done",
            "Upkeep done",
        ];
        assert_eq!(titles, wanted);
        assert_eq!(all[1].rows[0][4..], ["Jo sits beside it, call +44 20 7946 0000", "Jo"]);
        assert_eq!(all[1].rows[1][4], "the file accepts it: told hours before");
        assert_eq!(all[1].rows[2][4], "none was given");
        assert_eq!(
            all[3].rows[0][1..],
            ["Lift the float", "Jo", "FAILED", "the pump went on", "Jo will mend it"]
        );
    }

    #[test]
    fn others_are_told_without_names_and_addresses() {
        let all = tables("reef", &answers(), &Reader::Others(&["cooler".to_owned()]));
        let told = format!("{all:?}");
        for name in ["Mara", "Jo", "7946", "cooler", "Who"] {
            assert!(!told.contains(name), "{name} is in {told}");
        }
        assert!(told.contains("sits beside it") && told.contains("the pump went on"), "{told}");
        assert!(all.iter().all(|table| table.rows.iter().all(|row| row.len() == table.heads.len())));
    }
}
