//! A page of lines, boxes, symbols and texts in millimetres, and its SVG.

use std::fmt::Write as _;

use electrics::harness::Symbol;

use crate::sheet::{Align, Point, Rect};
use crate::text::{LEADING, escape, width};

use super::shade;

/// One line of text with its box.
#[derive(Clone, PartialEq, Debug)]
pub struct PlacedText {
    /// Plain.
    pub text: String,
    /// Box that holds it whatever common sans-serif font is used.
    pub bounds: Rect,
    /// Height of the font, mm.
    pub size: f64,
    /// Heavier.
    pub bold: bool,
    /// Where it starts from.
    pub align: Align,
}

/// A drawn page.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Page {
    /// Width and height, mm.
    pub size: [f64; 2],
    /// One line.
    pub title: String,
    /// The page in words, for who cannot see it.
    pub description: String,
    /// All texts.
    pub texts: Vec<PlacedText>,
    /// SVG of all that is no text.
    body: String,
}

/// Smallest text, mm: still read on a printed A4.
pub(super) const LEAST: f64 = 1.7;

impl Page {
    pub(super) fn new(size: [f64; 2], title: String) -> Self {
        Page { size, title, ..Page::default() }
    }

    /// A text from a left, middle or right point; `y` is the top of its line.
    pub(super) fn text(&mut self, x: f64, y: f64, size: f64, bold: bool, align: Align, text: &str) {
        let w = width(text, size, bold);
        let left = match align {
            Align::Left => x,
            Align::Middle => x - w / 2.0,
            Align::Right => x - w,
        };
        let bounds = Rect::new(left, y, w, size * LEADING);
        self.texts.push(PlacedText { text: text.to_owned(), bounds, size, bold, align });
    }

    /// A text made smaller, and shortened at last, until it is no wider than `most`.
    #[allow(clippy::too_many_arguments)]
    pub(super) fn fitted(
        &mut self,
        x: f64,
        y: f64,
        size: f64,
        bold: bool,
        align: Align,
        text: &str,
        most: f64,
    ) {
        let mut size = size;
        while size > LEAST && width(text, size, bold) > most {
            size -= 0.1;
        }
        let mut text = text.to_owned();
        while width(&text, size, bold) > most && text.chars().count() > 2 {
            text = text.chars().take(text.chars().count() - 2).collect();
            text.push('…');
        }
        self.text(x, y, size, bold, align, &text);
    }

    /// Texts of a paragraph, broken to a width; returns the y below.
    pub(super) fn paragraph(&mut self, x: f64, y: f64, size: f64, text: &str, most: f64) -> f64 {
        let mut y = y;
        let mut line = String::new();
        for word in text.split_whitespace() {
            let longer = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
            if width(&longer, size, false) > most && !line.is_empty() {
                self.text(x, y, size, false, Align::Left, &line);
                y += size * LEADING;
                line = word.to_owned();
            } else {
                line = longer;
            }
        }
        if !line.is_empty() {
            self.text(x, y, size, false, Align::Left, &line);
            y += size * LEADING;
        }
        y
    }

    pub(super) fn rect(&mut self, rect: Rect, class: &str) {
        let _ = write!(
            self.body,
            "<rect class=\"{class}\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"/>",
            n(rect.x),
            n(rect.y),
            n(rect.w),
            n(rect.h)
        );
    }

    pub(super) fn line(&mut self, a: Point, b: Point, class: &str) {
        let _ =
            write!(self.body, "<path class=\"{class}\" d=\"M{} {}L{} {}\"/>", n(a.x), n(a.y), n(b.x), n(b.y));
    }

    /// A wire: an edge so that white shows, its colour, and dashes of the second one.
    pub(super) fn wire(&mut self, a: Point, b: Point, code: &str) {
        self.line(a, b, "edge");
        let d = format!("M{} {}L{} {}", n(a.x), n(a.y), n(b.x), n(b.y));
        let first = shade(code.get(..2).unwrap_or("BK"));
        let _ = write!(self.body, "<path class=\"wire\" style=\"stroke:{first}\" d=\"{d}\"/>");
        if let Some(second) = code.get(2..4) {
            let _ = write!(
                self.body,
                "<path class=\"wire second\" style=\"stroke:{}\" d=\"{d}\"/>",
                shade(second)
            );
        }
    }

    /// A symbol of a run, in the manner of IEC 60617, around its middle; `turned` for a run from top to bottom.
    pub(super) fn symbol(&mut self, symbol: Symbol, middle: Point, turned: bool) {
        let d = match symbol {
            Symbol::Bar => "M-1.2 0A1.2 1.2 0 1 0 1.2 0A1.2 1.2 0 1 0 -1.2 0",
            Symbol::Fuse => "M-4 0H4M-3 -1.1H3V1.1H-3Z",
            Symbol::ContactOpen => "M-4 0H-2M-2 0L1.8 -1.9M2 0H4",
            Symbol::ContactClosed => "M-4 0H-2M-2 0L2.2 -1.5M2 -1.9V0H4",
            Symbol::Electronic => "M-4 0H-1.6M1.6 0H4M-1.6 -1.6V1.6L1.6 0ZM1.6 -1.6V1.6M1.6 1.6L2.6 2.2",
            Symbol::Coil => "M-4 0H-2.4M2.4 0H4M-2.4 -1.6H2.4V1.6H-2.4ZM-2.4 1.6L0 -1.6",
            Symbol::Resistor => {
                "M-4 0H-2.8M2.8 0H4M-2.8 -1.1H2.8V1.1H-2.8ZM-1.4 -1.1V1.1M0 -1.1V1.1M1.4 -1.1V1.1"
            }
            Symbol::Motor => "M-4 0H-2M2 0H4M-2 0A2 2 0 1 0 2 0A2 2 0 1 0 -2 0M-.9 1V-1L0 .2L.9 -1V1",
            Symbol::Lamp => {
                "M-4 0H-2M2 0H4M-2 0A2 2 0 1 0 2 0A2 2 0 1 0 -2 0M-1.4 -1.4L1.4 1.4M-1.4 1.4L1.4 -1.4"
            }
            Symbol::Switch => "M-4 0H-2M-2 0L1.8 -1.9M2 0H4M0 -1V-2.2M-.8 -2.2H.8",
            Symbol::Module => "M-4 0H-2.6M2.6 0H4M-2.6 -1.7H2.6V1.7H-2.6ZM-1.4 .8C-.7 -1.6 .7 1.6 1.4 -.8",
            Symbol::Source => "M-4 0H-.6M.6 0H4M-.6 -1.8V1.8M.6 -.9V.9",
        };
        let turn = if turned { " rotate(90)" } else { "" };
        let _ = write!(
            self.body,
            "<path class=\"symbol\" transform=\"translate({} {}){turn}\" d=\"{d}\"/>",
            n(middle.x),
            n(middle.y)
        );
    }

    /// The page as one SVG element, dark ink on white as it is printed.
    pub fn to_svg(&self, width: Option<&str>) -> String {
        let [w, h] = self.size;
        let attribute = width.map_or(String::new(), |width| format!(" width=\"{}\"", escape(width)));
        let mut out = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"wd\" viewBox=\"0 0 {} {}\"{attribute} role=\"img\" aria-label=\"{}\">\
             <title>{}</title><desc>{}</desc><style>{STYLE}</style><rect class=\"paper\" width=\"{}\" height=\"{}\"/>{}\
             <g aria-hidden=\"true\">",
            n(w),
            n(h),
            escape(&self.title),
            escape(&self.title),
            escape(&self.description),
            n(w),
            n(h),
            self.body
        );
        for text in &self.texts {
            let b = text.bounds;
            let (x, anchor) = match text.align {
                Align::Left => (b.x, "start"),
                Align::Middle => (b.centre().x, "middle"),
                Align::Right => (b.right(), "end"),
            };
            let _ = write!(
                out,
                "<text{} x=\"{}\" y=\"{}\" font-size=\"{}\" text-anchor=\"{anchor}\">{}</text>",
                if text.bold { " class=\"b\"" } else { "" },
                n(x),
                n(b.y + text.size * LEADING * 0.78),
                n(text.size),
                escape(&text.text)
            );
        }
        out.push_str("</g></svg>");
        out
    }
}

const STYLE: &str = "\
.wd{font-family:'Helvetica Neue',Helvetica,Arial,'Liberation Sans','DejaVu Sans',sans-serif;background:#fff}\
.wd .paper{fill:#fff}\
.wd path,.wd rect{fill:none;stroke:#1d2329;stroke-width:.25}\
.wd .paper{fill:#fff;stroke:none}\
.wd .box{fill:#fff}\
.wd .mains{fill:#fdeee9}\
.wd .low{fill:#eef4f8}\
.wd .out{stroke-dasharray:1 .6;fill:#fff}\
.wd .thin{stroke:#8a929a;stroke-width:.15}\
.wd .duct{fill:#e9e9e6;stroke:#b9bcbe;stroke-width:.15}\
.wd .frame{stroke-width:.35}\
.wd .alarm{stroke:#a3123a;stroke-width:.5}\
.wd .edge{stroke:#1d2329;stroke-width:1.15}\
.wd .wire{stroke-width:.85}\
.wd .second{stroke-dasharray:1.6 1.6}\
.wd .symbol{stroke-width:.3}\
.wd text{fill:#1d2329;white-space:pre}\
.wd .b{font-weight:600}";

/// A number with at most two decimals; never NaN, never `-0`.
fn n(value: f64) -> String {
    let rounded = (value * 100.0).round() / 100.0;
    if !rounded.is_finite() || rounded == 0.0 {
        return "0".to_owned();
    }
    format!("{rounded}")
}
