//! Photos of the station's diary for others: the pictures, and a list of what they show without who, and without what is nobody's business.

use serde_json::Value;

use super::share::scrubbed;

/// A photo to give away.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Shared {
    /// Its number at the station.
    pub id: i64,
    /// The file's name in the folder.
    pub file: String,
    /// A line of the list: when, which, what it shows.
    pub line: String,
}

/// Photos of the station's answer to `GET /api/v1/notes`, in the order of time. Names of everybody who wrote or sent one of them are left out of the
/// texts, as are the words given; the station took place, time and maker out of the pictures. `date` is how a time is written, ms since 1970.
pub fn shared(notes: &Value, leave_out: &[String], date: impl Fn(i64) -> String) -> Vec<Shared> {
    let list = |value: &Value| value.as_array().cloned().unwrap_or_default();
    let text = |value: &Value| value.as_str().unwrap_or("").trim().to_owned();
    let notes = list(notes);
    let photos = notes.iter().flat_map(|note| list(&note["photos"]));
    // "mara by token phone" is mara too.
    let people = notes.iter().cloned().chain(photos).filter_map(|one| {
        let who = text(&one["who"]);
        who.split(" by token ").next().map(str::to_owned)
    });
    let mut words: Vec<String> = leave_out.iter().cloned().chain(people).collect();
    words.sort_unstable();
    words.dedup();
    let clean = |said: &str| scrubbed(&said.replace(['\r', '\n'], " "), &words).0;
    let mut out = vec![];
    for note in &notes {
        for photo in list(&note["photos"]) {
            let (Some(id), Some(kind)) = (photo["id"].as_i64(), photo["kind"].as_str()) else { continue };
            if !matches!(kind, "jpeg" | "png" | "webp") {
                continue;
            }
            let file = format!("{id}.{kind}");
            let of = [clean(&text(&photo["caption"])), clean(&text(&note["text"]))];
            let said: Vec<&str> = of.iter().map(String::as_str).filter(|part| !part.is_empty()).collect();
            let line =
                format!("{}  {file}  {}", date(note["from_ms"].as_i64().unwrap_or(0)), said.join("; "));
            out.push(Shared { id, file, line });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn photos_are_listed_without_who() {
        let notes = json!([
            { "from_ms": 7, "who": "Mara", "text": "Ines and Mara put\nthe pump in, call +49 30 1234567", "photos": [
                { "id": 3, "kind": "jpeg", "caption": "Mara's hand", "who": "Ines by token phone" },
                { "id": 4, "kind": "html", "caption": "no photo", "who": "Mara" },
            ] },
            { "from_ms": 9, "who": "Mara", "text": "no photo", "photos": [] },
        ]);
        let found = shared(&notes, &["pump".to_owned()], |ms| ms.to_string());
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].id, found[0].file.as_str()), (3, "3.jpeg"));
        assert!(found[0].line.starts_with("7  3.jpeg  "), "{}", found[0].line);
        for word in ["Mara", "Ines", "pump", "1234567", "\n"] {
            assert!(!found[0].line.contains(word), "{}", found[0].line);
        }
        assert!(shared(&json!(null), &[], |ms| ms.to_string()).is_empty());
    }
}
