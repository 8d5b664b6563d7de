//! The page around the sections: head, styles, order, title block.

use std::fmt::Write;

use drawing::escape;

use crate::dossier::{Dossier, Drawing};
use crate::{matrix, plot, sitter, tables};

/// Styles of the page; kept beside as a file so that it can be read as what it is.
const STYLE: &str = include_str!("style.css");

/// Shapes that stand beside each word, drawn once.
const SIGNS: &str = "<svg class=\"defs\" width=\"0\" height=\"0\" aria-hidden=\"true\" focusable=\"false\"><defs>\
<symbol id=\"sign-breaks\" viewBox=\"0 0 12 12\"><path d=\"M2 2l8 8m0-8l-8 8\"/></symbol>\
<symbol id=\"sign-help\" viewBox=\"0 0 12 12\"><path d=\"M6 1.5l5 9h-10Z\"/></symbol>\
<symbol id=\"sign-accepted\" viewBox=\"0 0 12 12\"><path d=\"M6 1l5 5l-5 5l-5-5Z\"/></symbol>\
<symbol id=\"sign-hidden\" viewBox=\"0 0 12 12\"><path d=\"M1.5 1.5h9v9h-9Z\" stroke-dasharray=\"2 1.4\"/></symbol>\
<symbol id=\"sign-holds\" viewBox=\"0 0 12 12\"><circle cx=\"6\" cy=\"6\" r=\"4.5\"/></symbol>\
<symbol id=\"sign-note\" viewBox=\"0 0 12 12\"><path d=\"M2 6h8\"/></symbol>\
<symbol id=\"sign-caution\" viewBox=\"0 0 12 12\"><path d=\"M6 1l5.5 10h-11ZM6 4.5v3M6 8.8v1\"/></symbol>\
</defs></svg>";

/// Escaped, with what stands in backticks set as code.
pub(crate) fn prose(text: &str) -> String {
    let escaped = escape(text).to_string();
    let pieces: Vec<&str> = escaped.split('`').collect();
    if pieces.len().is_multiple_of(2) {
        // A backtick without its partner is only a character.
        return escaped;
    }
    let mut out = String::with_capacity(escaped.len() + 16 * pieces.len());
    for (i, piece) in pieces.iter().enumerate() {
        if i % 2 == 0 {
            out.push_str(piece);
        } else {
            let _ = write!(out, "<code>{piece}</code>");
        }
    }
    out
}

/// One section: id for the contents, heading, lead sentence, body.
struct Section {
    id: &'static str,
    heading: &'static str,
    body: String,
}

pub(crate) fn render(d: &Dossier) -> String {
    whole(d, "report", "", &sections(d))
}

/// The sitter's sheet alone, upright.
pub(crate) fn render_sitter(d: &Dossier) -> String {
    let body = d.sitter.as_ref().map_or(String::new(), sitter::body);
    let sheet = Section { id: "sitter", heading: "If something is wrong", body };
    whole(d, "sheet for whoever minds the tank", "upright", &[sheet])
}

fn whole(d: &Dossier, what: &str, class: &str, sections: &[Section]) -> String {
    let mut out = String::with_capacity(128 * 1024);
    let _ = write!(
        out,
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"/><meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\
         <meta name=\"color-scheme\" content=\"light dark\"/><title>{0}: {1}</title><style>{STYLE}</style></head><body class=\"{2}\">{SIGNS}\
         <a class=\"skip\" href=\"#content\">Skip to the content</a>\
         <header><h1>{0}</h1><dl class=\"block\">",
        escape(&d.title),
        what,
        class
    );
    for (head, value) in [("Revision", &d.revision), ("Date", &d.date), ("Made by", &d.made_by)] {
        if !value.is_empty() {
            let _ = write!(out, "<div><dt>{head}</dt><dd>{}</dd></div>", escape(value));
        }
    }
    out.push_str("</dl></header><nav aria-label=\"Contents\"><ul>");
    for s in sections {
        let _ = write!(out, "<li><a href=\"#{}\">{}</a></li>", s.id, s.heading);
    }
    out.push_str("</ul></nav><main id=\"content\">");
    for s in sections {
        let _ = write!(
            out,
            "<section id=\"{0}\" aria-labelledby=\"{0}-head\"><h2 id=\"{0}-head\">{1}</h2>{2}</section>",
            s.id, s.heading, s.body
        );
    }
    out.push_str("</main></body></html>\n");
    out
}

fn sections(d: &Dossier) -> Vec<Section> {
    let mut list = vec![];
    let mut add = |id, heading, body: String| list.push(Section { id, heading, body });
    let summary = if d.summary.is_empty() {
        "<p>No conclusion was drawn for this report.</p>".to_owned()
    } else {
        tables::summary(&d.summary)
    };
    if !d.description.is_empty() {
        add("description", "What it is", tables::list(&d.description));
    }
    add("summary", "What would happen", summary);
    if let Some(sheet) = &d.sitter {
        add("sitter", "If something is wrong", sitter::body(sheet));
    }
    if !d.drawings.is_empty() {
        add("section", "The system in section", figures(&d.drawings));
    }
    add("findings", "Findings of the audit", tables::findings(&d.findings));
    add("fmea", "What each failure breaks", matrix::grid(&d.matrix));
    if !d.plots.is_empty() {
        add("traces", "Traces of chosen faults", plots(d));
    }
    let details = matrix::details(&d.matrix);
    if !details.is_empty() {
        add("rows", "Every failure in detail", details);
    }
    if !d.energised.is_empty() {
        add("energised", "Without power", tables::energised(&d.energised));
    }
    if !d.wiring.is_empty() || !d.lists.is_empty() {
        let lists: String = d.lists.iter().map(tables::plain).collect();
        add("electrics", "Electrics", format!("{lists}{}", figures(&d.wiring)));
    }
    if !d.care.is_empty() {
        add("care", "Proof tests and upkeep", d.care.iter().map(tables::plain).collect());
    }
    if !d.history.is_empty() {
        add("history", "What was done", d.history.iter().map(tables::plain).collect());
    }
    if !d.assumptions.is_empty() {
        add("assumptions", "What this rests on", tables::list(&d.assumptions));
    }
    if !d.not_modelled.is_empty() {
        add("not-modelled", "What was not modelled", tables::list(&d.not_modelled));
    }
    add("cautions", "Cautions", tables::cautions());
    list
}

fn figures(drawings: &[Drawing]) -> String {
    drawings
        .iter()
        .map(|g| {
            let caption = escape(&g.caption);
            format!(
                "<figure class=\"sheet\"><div class=\"scroll\" role=\"region\" aria-label=\"{caption}\" tabindex=\"0\">{}</div><figcaption>{caption}</figcaption></figure>",
                g.svg
            )
        })
        .collect()
}

fn plots(d: &Dossier) -> String {
    let mut out = String::new();
    for (i, p) in d.plots.iter().enumerate() {
        let title = escape(&p.title);
        let _ = write!(
            out,
            "<figure class=\"trace\"><h3>{title}</h3><div class=\"scroll\" role=\"region\" aria-label=\"{title}\" tabindex=\"0\">{}</div>",
            plot::svg(p, &format!("plot-{i}"))
        );
        if !p.note.is_empty() {
            let _ = write!(out, "<figcaption>{}</figcaption>", prose(&p.note));
        }
        out.push_str("</figure>");
    }
    out
}
