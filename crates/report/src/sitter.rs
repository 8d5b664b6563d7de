//! The sitter's sheet: what each message means, how long there is, what to touch, what never to touch, whom to call. For somebody who knows
//! neither the tank nor its electronics, on one or two pages of A4 beside the tank.

use std::fmt::Write;

use drawing::escape;

use crate::page::prose;

/// All of the sheet.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct SitterSheet {
    /// Whom to call, a line each; empty leaves lines to fill in by hand.
    pub call: Vec<String>,
    /// What holds whatever the message is.
    pub always: Vec<String>,
    /// What is never done.
    pub never: Vec<String>,
    /// Each message, the most urgent first.
    pub messages: Vec<Message>,
    /// What the hours rest on, and for how long nobody was there in them.
    pub basis: String,
}

/// One message of the board or of the station.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Message {
    /// Its words, as they arrive.
    pub words: String,
    /// How urgent, a word.
    pub priority: String,
    /// What it may come from, sentences.
    pub means: String,
    /// How long there is, a sentence.
    pub time: String,
    /// Less time than somebody needs to come: it is marked.
    pub is_short: bool,
    /// What to do.
    pub act: String,
    /// What to leave alone.
    pub leave: String,
    /// A caution where the act can hurt.
    pub caution: Option<String>,
}

fn list(heading: &str, items: &[String]) -> String {
    let items: String = items.iter().map(|item| format!("<li>{}</li>", prose(item))).collect();
    format!("<div><h3>{heading}</h3><ul>{items}</ul></div>")
}

/// The body of the sheet.
pub(crate) fn body(sheet: &SitterSheet) -> String {
    let mut out = String::from("<div class=\"sitter\"><div class=\"first\">");
    let call: Vec<String> = if sheet.call.is_empty() { vec!["_".repeat(34); 3] } else { sheet.call.clone() };
    out += &list("Call", &call);
    out += &list("Always", &sheet.always);
    out += &list("Never", &sheet.never);
    out.push_str("</div>");
    if sheet.messages.is_empty() {
        out.push_str("<p>This system tells nobody anything: it has no alarms. Look at it twice a day.</p>");
    } else {
        out.push_str(
            "<table><caption><span>When a message comes</span></caption><thead><tr><th scope=\"col\">The message says</th><th scope=\"col\">It may come from</th>\
             <th scope=\"col\">How long there is</th><th scope=\"col\">Do</th><th scope=\"col\">Leave alone</th></tr></thead><tbody>",
        );
        for message in &sheet.messages {
            let sign = if message.is_short {
                "<svg class=\"sign breaks\" aria-hidden=\"true\"><use href=\"#sign-help\"/></svg> "
            } else {
                ""
            };
            let caution = message.caution.as_ref().map_or(String::new(), |caution| {
                format!("<br/><svg class=\"sign caution\" aria-hidden=\"true\"><use href=\"#sign-caution\"/></svg> <b>{}</b>", prose(caution))
            });
            let _ = write!(
                out,
                "<tr><th scope=\"row\">{}<span class=\"mode\">{}</span></th><td>{}</td><td>{sign}{}</td><td>{}{caution}</td><td>{}</td></tr>",
                prose(&message.words),
                escape(&message.priority),
                prose(&message.means),
                prose(&message.time),
                prose(&message.act),
                prose(&message.leave)
            );
        }
        out.push_str("</tbody></table>");
    }
    let _ = write!(out, "<p class=\"blank\">{}</p></div>", prose(&sheet.basis));
    out
}
