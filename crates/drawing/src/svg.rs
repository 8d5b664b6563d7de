//! The sheet as SVG: one self-contained element with its own styles, light and dark.

use std::fmt::Write;

use crate::sheet::{Align, Ink, Label, Layer, Part, Point, Property, Shape, Sheet};
use crate::text::{LEADING, escape};

/// Colours of the rendering.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Theme {
    /// Light or dark as the reader's system prefers; light in print.
    #[default]
    Auto,
    /// Dark ink on light paper.
    Light,
    /// Light ink on dark paper.
    Dark,
}

/// How a sheet is written.
#[derive(Clone, PartialEq, Debug)]
pub struct SvgOptions {
    /// Colours.
    pub theme: Theme,
    /// Value of the width attribute (`100%`, `1100px`, `297mm`); None leaves it out.
    pub width: Option<String>,
    /// Writes part ids, names and value bindings as attributes, for a page that animates.
    pub interactive: bool,
    /// Put before every id, so that several sheets can stand in one page.
    pub prefix: String,
}

impl Default for SvgOptions {
    fn default() -> Self {
        SvgOptions {
            theme: Theme::Auto,
            width: Some("100%".to_owned()),
            interactive: false,
            prefix: "section".to_owned(),
        }
    }
}

const LIGHT: &str = "--paper:#fbfaf6;--ink:#1d2329;--thin:#5a636c;--faint:#8a929a;--water:#2b6f9e;--water-fill:#cfe3ee;--fresh-fill:#e2eff3;--heat:#a8391c;--heat-fill:#f3d3c6;--alarm:#a3123a";
const DARK: &str = "--paper:#12171c;--ink:#e4e2da;--thin:#a9b0b6;--faint:#7c858d;--water:#7fbfe6;--water-fill:#1d3a4d;--fresh-fill:#1b2f38;--heat:#ff9a76;--heat-fill:#4d2417;--alarm:#ff7d9a";

const STYLE: &str = "\
.tw{background:var(--paper);color:var(--ink);stroke-width:.2;font-family:'Helvetica Neue',Helvetica,Arial,'Liberation Sans','DejaVu Sans',sans-serif}\
.tw path,.tw circle{fill:none;stroke:var(--ink);stroke-linejoin:round;stroke-linecap:butt}\
.tw .outline{stroke-width:.32}\
.tw .thin{stroke:var(--thin);stroke-width:.2}\
.tw .hidden{stroke-width:.22;stroke-dasharray:1 .6}\
.tw .phantom{stroke:var(--thin);stroke-width:.2;stroke-dasharray:3 .7 .6 .7 .6 .7}\
.tw .glass,.tw .ground,.tw .rock{stroke-width:.22}\
.tw .ground{stroke:none}\
.tw .rock{stroke:var(--faint)}\
.tw .water{fill:var(--water-fill);stroke:none}\
.tw .fresh{fill:var(--fresh-fill);stroke:none}\
.tw .line{stroke:var(--water);stroke-width:.34}\
.tw path.line{fill:var(--paper)}\
.tw .l1{stroke-dasharray:2.2 1}\
.tw .l2{stroke-dasharray:4 .8 .5 .8;stroke-width:.45}\
.tw .l3{stroke-dasharray:.6 .7;stroke-width:.4}\
.tw .mark{stroke-dasharray:none!important;stroke-width:.26}\
.tw .heat{stroke:var(--heat);fill:var(--heat-fill);stroke-width:.28}\
.tw .solid{fill:var(--ink);stroke-width:.1}\
.tw .paper{fill:var(--paper);stroke-width:.26}\
.tw .mask{fill:var(--paper);stroke:none}\
.tw .dim{stroke:var(--thin);stroke-width:.14}\
.tw .leader{stroke:var(--faint);stroke-width:.15}\
.tw .frame{stroke-width:.3}\
.tw .alarm{stroke:var(--alarm);stroke-width:.4}\
.tw .pipe-edge{stroke:var(--ink)}\
.tw .pipe-bore{stroke:var(--paper)}\
.tw .hatch{stroke:var(--thin);stroke-width:.16}\
.tw .dot{fill:var(--faint);stroke:none}\
.tw text{fill:var(--ink);stroke:none;white-space:pre}\
.tw .halo{paint-order:stroke;stroke:var(--paper);stroke-width:.7;stroke-linejoin:round}\
.tw .b{font-weight:600}";

fn class(ink: Ink) -> &'static str {
    match ink {
        Ink::Outline => "outline",
        Ink::Thin => "thin",
        Ink::Hidden => "hidden",
        Ink::Phantom => "phantom",
        Ink::Glass => "glass",
        Ink::Ground => "ground",
        Ink::Rock => "rock",
        Ink::Water => "water",
        Ink::FreshWater => "fresh",
        Ink::WaterLine(0) => "line l0",
        Ink::WaterLine(1) => "line l1",
        Ink::WaterLine(2) => "line l2",
        Ink::WaterLine(_) => "line l3",
        Ink::Heat => "heat",
        Ink::Solid => "solid",
        Ink::Paper => "paper",
        Ink::Mask => "mask",
        Ink::Dimension => "dim",
        Ink::Leader => "leader",
        Ink::Frame => "frame",
        Ink::Alarm => "alarm",
    }
}

/// A number with at most two decimals; never NaN, never `-0`.
fn number(value: f64) -> String {
    let rounded = (value * 100.0).round() / 100.0;
    if !rounded.is_finite() || rounded == 0.0 {
        return "0".to_owned();
    }
    format!("{rounded}")
}

fn path(points: &[Point], closed: bool) -> String {
    let mut d = String::new();
    for (i, p) in points.iter().enumerate() {
        let _ = write!(d, "{}{} {}", if i == 0 { 'M' } else { 'L' }, number(p.x), number(p.y));
    }
    if closed {
        d.push('Z');
    }
    d
}

impl Sheet {
    /// The sheet as one `<svg>` element.
    pub fn to_svg(&self, options: &SvgOptions) -> String {
        let mut out = String::with_capacity(64 * 1024);
        let prefix: String =
            options.prefix.chars().filter(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_')).collect();
        let width = options.width.as_ref().map_or(String::new(), |w| format!(" width=\"{}\"", escape(w)));
        let _ = write!(
            out,
            "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"tw {prefix}\" viewBox=\"0 0 {} {}\"{width} role=\"img\" \
             aria-labelledby=\"{prefix}-title {prefix}-desc\"><title id=\"{prefix}-title\">{}</title>\
             <desc id=\"{prefix}-desc\">{}</desc><style>",
            number(self.size[0]),
            number(self.size[1]),
            escape(&self.title),
            escape(&self.description)
        );
        match options.theme {
            Theme::Light => {
                let _ = write!(out, ".{prefix}{{{LIGHT}}}");
            }
            Theme::Dark => {
                let _ = write!(out, ".{prefix}{{{DARK}}}");
            }
            Theme::Auto => {
                let _ = write!(
                    out,
                    ".{prefix}{{{LIGHT}}}@media (prefers-color-scheme:dark){{.{prefix}{{{DARK}}}}}\
                     @media print{{.{prefix}{{{LIGHT};--paper:#fff}}}}"
                );
            }
        }
        out.push_str(STYLE);
        let _ = write!(
            out,
            ".{prefix} .glass{{fill:url(#{prefix}-glass)}}.{prefix} .ground{{fill:url(#{prefix}-ground)}}.{prefix} .rock{{fill:url(#{prefix}-rock)}}"
        );
        let _ = write!(
            out,
            "</style><defs>\
             <pattern id=\"{prefix}-glass\" width=\".8\" height=\".8\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\">\
             <path class=\"mask\" d=\"M0 0H.8V.8H0Z\"/><path class=\"hatch\" d=\"M.4 0V.8\"/></pattern>\
             <pattern id=\"{prefix}-ground\" width=\"1.3\" height=\"1.3\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(-45)\">\
             <path class=\"hatch\" d=\"M.6 0V1.3\"/></pattern>\
             <pattern id=\"{prefix}-rock\" width=\"1.5\" height=\"1.5\" patternUnits=\"userSpaceOnUse\">\
             <circle class=\"dot\" cx=\".4\" cy=\".4\" r=\".16\"/><circle class=\"dot\" cx=\"1.1\" cy=\"1.15\" r=\".16\"/></pattern></defs>"
        );
        if options.theme != Theme::Auto || options.width.as_deref() != Some("100%") {
            let _ = write!(
                out,
                "<path class=\"mask\" d=\"M0 0H{}V{}H0Z\"/>",
                number(self.size[0]),
                number(self.size[1])
            );
        }
        let (frame, drawn): (Vec<&Part>, Vec<&Part>) =
            self.parts.iter().partition(|p| p.layer == Layer::Frame);
        for part in drawn {
            write_part(&mut out, part, options, &prefix);
        }
        out.push_str("<g class=\"leaders\">");
        for label in self.labels.iter().filter(|l| l.leader.len() > 1) {
            let _ = write!(out, "<path class=\"leader\" d=\"{}\"/>", path(&label.leader, false));
            if let Some(end) = label.leader.last() {
                let _ = write!(
                    out,
                    "<circle class=\"dot\" cx=\"{}\" cy=\"{}\" r=\".3\"/>",
                    number(end.x),
                    number(end.y)
                );
            }
        }
        out.push_str("</g>");
        for part in frame {
            write_part(&mut out, part, options, &prefix);
        }
        out.push_str("<g class=\"texts\" aria-hidden=\"true\">");
        for label in &self.labels {
            write_label(&mut out, label, options);
        }
        out.push_str("</g></svg>");
        out
    }
}

fn write_part(out: &mut String, part: &Part, options: &SvgOptions, prefix: &str) {
    out.push_str("<g");
    if options.interactive {
        let _ = write!(
            out,
            " id=\"{prefix}-{}\" data-part=\"{0}\" data-name=\"{}\"",
            escape(&part.id),
            escape(&part.name)
        );
        for b in &part.bindings {
            let property = match b.property {
                Property::Top => "top",
                Property::Running => "running",
                Property::Flow => "flow",
                Property::Reading => "reading",
            };
            let _ =
                write!(out, " data-{property}=\"{}\" data-{property}-unit=\"{}\"", escape(&b.value), b.unit);
            if b.property == Property::Top {
                let _ = write!(
                    out,
                    " data-top-zero=\"{}\" data-top-per-unit=\"{}\"",
                    number(b.zero),
                    number(b.per_unit)
                );
            }
        }
    }
    out.push('>');
    for shape in &part.shapes {
        match shape {
            Shape::Line { points, ink } => {
                let _ = write!(out, "<path class=\"{}\" d=\"{}\"/>", class(*ink), path(points, false));
            }
            Shape::Area { points, ink } => {
                let mark = if matches!(ink, Ink::WaterLine(_)) { " mark" } else { "" };
                let _ = write!(out, "<path class=\"{}{mark}\" d=\"{}\"/>", class(*ink), path(points, true));
            }
            Shape::Circle { centre, radius, ink } => {
                let _ = write!(
                    out,
                    "<circle class=\"{}\" cx=\"{}\" cy=\"{}\" r=\"{}\"/>",
                    class(*ink),
                    number(centre.x),
                    number(centre.y),
                    number(*radius)
                );
            }
            Shape::Pipe { points, width } => {
                let d = path(points, false);
                let _ = write!(
                    out,
                    "<path class=\"pipe-edge\" stroke-width=\"{}\" d=\"{d}\"/><path class=\"pipe-bore\" stroke-width=\"{}\" d=\"{d}\"/>",
                    number(*width),
                    number((width - 0.44).max(0.3))
                );
            }
        }
    }
    out.push_str("</g>");
}

fn write_label(out: &mut String, label: &Label, options: &SvgOptions) {
    let b = label.bounds;
    let (x, anchor) = match label.align {
        Align::Left => (b.x, "start"),
        Align::Middle => (b.centre().x, "middle"),
        Align::Right => (b.right(), "end"),
    };
    let data = if options.interactive {
        format!(" data-of=\"{}\" data-key=\"{}\"", escape(&label.part), label.key)
    } else {
        String::new()
    };
    let halo = if matches!(label.part.as_str(), "title" | "notes" | "legend") { "" } else { "halo" };
    let mut y = b.y;
    for line in &label.lines {
        // Ascent of common sans-serif fonts is near 0.95 of the text height inside a line of 1.28.
        let base = line.size * LEADING * 0.78;
        let (px, py, turn) = if label.turned {
            let c = b.centre();
            (c.x, c.y, format!(" transform=\"rotate(-90 {} {})\"", number(c.x), number(c.y)))
        } else {
            (x, y + base, String::new())
        };
        let shift =
            if label.turned { format!(" dy=\"{}\"", number(line.size * 0.36)) } else { String::new() };
        let _ = write!(
            out,
            "<text class=\"{halo}{}\" x=\"{}\" y=\"{}\" font-size=\"{}\" text-anchor=\"{anchor}\"{turn}{shift}{data}>{}</text>",
            if line.bold { " b" } else { "" },
            number(px),
            number(py),
            number(line.size),
            escape(&line.text)
        );
        y += line.size * LEADING;
    }
}
