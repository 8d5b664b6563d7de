//! Line plots as SVG: a panel for each unit over one time axis, names at the ends of their lines, limits and moments drawn.

use std::fmt::Write;

use drawing::{escape, text_width};

use crate::dossier::{MarkKind, Plot};
use crate::matrix::hours;

/// Width of the plot, in its own units (one is a CSS pixel at full size).
const WIDTH: f64 = 720.0;
/// Left edge of the panels: room for the numbers of the axis.
const LEFT: f64 = 56.0;
/// Right edge of the panels: names follow.
const RIGHT: f64 = 556.0;
/// Height of a panel and distance to the next.
const PANEL: f64 = 150.0;
const BETWEEN: f64 = 30.0;
/// Text height and line distance.
const FONT: f64 = 12.5;
const LINE: f64 = 16.5;
/// Names that fit beside a panel.
const MOST_NAMES: usize = 8;
/// Points kept for each pixel column: first, least, most, last.
const BUCKETS: usize = 500;

/// Whether a value can be drawn; anything larger is a mistake, and would only flatten the rest.
fn is_sane(value: f64) -> bool {
    value.is_finite() && value.abs() < 1e6
}

/// Steps of an axis that are easily read: 1, 2, 5 times a power of ten.
pub fn nice_step(range: f64, most: usize) -> f64 {
    let rough = range / most.max(1) as f64;
    if !(rough.is_finite() && rough > 0.0) {
        return 1.0;
    }
    let mut power = 1.0;
    while power > rough {
        power /= 10.0;
    }
    while power * 10.0 <= rough {
        power *= 10.0;
    }
    [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * power).find(|s| *s >= rough).unwrap_or(10.0 * power)
}

/// Kinds of lines that style.css tells apart.
const STYLES: usize = 6;
/// Steps of a time axis in hours: minutes, hours, days as on a clock.
pub fn time_step(range: f64, most: usize) -> f64 {
    let rough = range / most.max(1) as f64;
    [1.0 / 60.0, 1.0 / 12.0, 0.25, 0.5, 1.0, 2.0, 3.0, 6.0, 12.0, 24.0, 48.0, 168.0]
        .into_iter()
        .find(|s| *s >= rough)
        .unwrap_or_else(|| nice_step(range, most))
}

/// Ticks from the first multiple of the step at or over `low` to `high`.
fn ticks(low: f64, high: f64, step: f64) -> Vec<f64> {
    let first = (low / step - 1e-9).ceil();
    (0..60).map(|i| (first + f64::from(i)) * step).take_while(|t| *t <= high + step * 1e-9).collect()
}

fn decimals(step: f64) -> usize {
    (0..6).find(|d| ((step * 10f64.powi(*d)).round() - step * 10f64.powi(*d)).abs() < 1e-6).unwrap_or(6)
        as usize
}

fn number(value: f64) -> String {
    let rounded = (value * 10.0).round() / 10.0;
    if !rounded.is_finite() || rounded == 0.0 { "0".to_owned() } else { format!("{rounded}") }
}

/// One panel's scale.
struct Scale {
    top: f64,
    low: f64,
    high: f64,
    step: f64,
}

impl Scale {
    fn y(&self, value: f64) -> f64 {
        self.top + PANEL * (1.0 - (value.clamp(self.low, self.high) - self.low) / (self.high - self.low))
    }
}

/// Text at the right, moved so that none covers another.
struct EndLabel {
    wanted: f64,
    text: String,
    class: String,
}

/// The plot as one `<svg>` element; `prefix` makes its ids unique in the page.
pub fn svg(plot: &Plot, prefix: &str) -> String {
    let prefix: String = prefix.chars().filter(|c| c.is_ascii_alphanumeric() || *c == '-').collect();
    let mut units: Vec<&str> = vec![];
    for unit in plot.series.iter().map(|s| &*s.unit).chain(plot.limits.iter().map(|l| &*l.unit)) {
        if !units.contains(&unit) {
            units.push(unit);
        }
    }
    let times = plot.series.iter().flat_map(|s| s.points.iter().map(|p| p.0)).filter(|t| is_sane(*t));
    let (mut x0, mut x1) = times
        .chain(plot.marks.iter().map(|m| m.hours).filter(|t| is_sane(*t)))
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), t| (a.min(t), b.max(t)));
    if !x0.is_finite() {
        (x0, x1) = (0.0, 1.0);
    }
    if x1 - x0 < 1e-6 {
        x1 = x0 + 1.0;
    }
    let x = |t: f64| LEFT + (RIGHT - LEFT) * (t.clamp(x0, x1) - x0) / (x1 - x0);
    let mut body = String::new();
    let head = marks_head(&mut body, plot, x);
    let mut top = head;
    for unit in &units {
        top += LINE + 2.0;
        panel(&mut body, plot, unit, top, x, (x0, x1));
        top += PANEL + BETWEEN - LINE;
    }
    let bottom = if units.is_empty() { head + LINE } else { top - BETWEEN + LINE };
    let mut lines = String::new();
    for mark in plot.marks.iter().filter(|m| is_sane(m.hours)) {
        let at = number(x(mark.hours));
        let _ = write!(
            lines,
            "<path class=\"mark {}\" d=\"M{at} {}V{}\"/>",
            kind(mark.kind).0,
            number(head),
            number(bottom)
        );
    }
    let step = time_step(x1 - x0, 9);
    for t in ticks(x0, x1, step) {
        let _ = write!(
            body,
            "<text class=\"tick\" text-anchor=\"middle\" x=\"{}\" y=\"{}\">{:.*}</text>",
            number(x(t)),
            number(bottom + LINE),
            decimals(step).min(2),
            t
        );
    }
    let _ = write!(
        body,
        "<text class=\"tick\" x=\"{}\" y=\"{}\">hours</text>",
        number(RIGHT + 32.0),
        number(bottom + LINE)
    );
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"plot\" viewBox=\"0 0 {WIDTH} {}\" role=\"img\" aria-labelledby=\"{prefix}-t {prefix}-d\">\
         <title id=\"{prefix}-t\">{}</title><desc id=\"{prefix}-d\">{}</desc>{lines}{body}</svg>",
        number(bottom + LINE * 1.7),
        escape(&plot.title),
        escape(&describe(plot)),
    )
}

/// The plot as a file of its own: with its style, on paper.
pub fn file(plot: &Plot) -> String {
    let style: String = include_str!("style.css")
        .lines()
        .filter(|line| line.starts_with(":root{") || line.starts_with(".plot"))
        .collect::<Vec<_>>()
        .join("\n");
    let svg = svg(plot, "plot");
    let head = svg.find('>').map_or(0, |at| at + 1);
    format!(
        "{}<style>\n{style}\nsvg{{background:var(--paper);font-family:Helvetica,Arial,sans-serif}}\n</style>{}\n",
        &svg[..head],
        &svg[head..]
    )
}

/// Class and sign of a moment.
fn kind(kind: MarkKind) -> (&'static str, &'static str) {
    match kind {
        MarkKind::Fault => ("fault", "fault"),
        MarkKind::Alarm => ("alarm", "alarm"),
        MarkKind::Trip => ("trip", "trip"),
        MarkKind::Break => ("break", "breach"),
        MarkKind::Other => ("other", ""),
    }
}

/// Time of a moment, in the unit in which it says something.
fn since(h: f64) -> String {
    if h.abs() < f64::EPSILON { "0 h".to_owned() } else { hours(h) }
}

/// Texts of the moments, in as many rows as they need; returns the height used.
fn marks_head(out: &mut String, plot: &Plot, x: impl Fn(f64) -> f64) -> f64 {
    let mut order: Vec<_> = plot.marks.iter().filter(|m| is_sane(m.hours)).collect();
    order.sort_by(|a, b| a.hours.total_cmp(&b.hours));
    let mut placed: Vec<(usize, f64, f64, String, f64, &str)> = vec![];
    for mark in order {
        let (class, word) = kind(mark.kind);
        let text = match (word, mark.text.as_str()) {
            ("", text) => format!("{text}, {}", since(mark.hours)),
            ("fault", text) => format!("fault: {text}"),
            (word, "") => format!("{word}, {}", since(mark.hours)),
            (word, text) => format!("{word} {text}, {}", since(mark.hours)),
        };
        let text = fit(&text, WIDTH - 24.0);
        let w = text_width(&text, FONT, false);
        let at = x(mark.hours);
        let left = (at + 8.0).min(WIDTH - w - 4.0).max(2.0);
        let row = (0..)
            .find(|r| !placed.iter().any(|p| p.0 == *r && left < p.2 + 8.0 && p.1 < left + w + 8.0))
            .unwrap_or(0);
        placed.push((row, left.min(at), left + w, text, at, class));
    }
    let rows = placed.iter().map(|p| p.0 + 1).max().unwrap_or(0);
    let height = rows as f64 * LINE + 6.0;
    for (row, _, right, text, at, class) in &placed {
        let w = text_width(text, FONT, false);
        let y = (*row as f64 + 1.0) * LINE - 3.0;
        let _ = write!(
            out,
            "<path class=\"mark {class}\" d=\"M{0} {1}V{2}\"/>{3}<text class=\"when\" x=\"{4}\" y=\"{5}\">{6}</text>",
            number(*at),
            number(y - FONT * 0.7),
            number(height),
            sign(class, *at, y - FONT * 0.35),
            number(right - w),
            number(y),
            escape(text)
        );
    }
    height
}

/// Shape of a moment: the meaning is not in the colour alone.
fn sign(class: &str, x: f64, y: f64) -> String {
    let d = match class {
        "break" => format!("M{} {}l7 7m0 -7l-7 7", number(x - 3.5), number(y - 3.5)),
        "alarm" => format!("M{} {}l4 7h-8Z", number(x), number(y - 3.5)),
        "trip" => format!("M{} {}h7v7h-7Z", number(x - 3.5), number(y - 3.5)),
        _ => format!("M{} {}l4 4l-4 4l-4 -4Z", number(x), number(y - 4.0)),
    };
    format!("<path class=\"sign {class}\" d=\"{d}\"/>")
}

fn fit(text: &str, most: f64) -> String {
    let text: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    if text_width(&text, FONT, false) <= most {
        return text;
    }
    let mut kept = String::new();
    for c in text.chars() {
        kept.push(c);
        if text_width(&kept, FONT, false) + FONT > most {
            kept.pop();
            break;
        }
    }
    kept + "…"
}

fn panel(out: &mut String, plot: &Plot, unit: &str, top: f64, x: impl Fn(f64) -> f64, span: (f64, f64)) {
    let series: Vec<_> = plot.series.iter().filter(|s| s.unit == unit).collect();
    let limits: Vec<_> = plot.limits.iter().filter(|l| l.unit == unit && is_sane(l.value)).collect();
    let values =
        series.iter().flat_map(|s| s.points.iter().map(|p| p.1)).chain(limits.iter().map(|l| l.value));
    let (mut low, mut high) = values
        .filter(|v| is_sane(*v))
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)));
    if !low.is_finite() {
        (low, high) = (0.0, 1.0);
    }
    let pad = ((high - low) * 0.06).max(high.abs().max(low.abs()) * 1e-3).max(1e-6);
    (low, high) = (low - pad, high + pad);
    let step = nice_step(high - low, 6);
    let scale = Scale { top, low, high, step };
    let _ = write!(
        out,
        "<text class=\"unit\" x=\"{}\" y=\"{}\">{}</text>",
        number(LEFT),
        number(top - 5.0),
        escape(unit)
    );
    for t in ticks(low, high, scale.step) {
        let y = scale.y(t);
        let _ = write!(
            out,
            "<path class=\"grid\" d=\"M{LEFT} {0}H{RIGHT}\"/><text class=\"tick\" text-anchor=\"end\" x=\"{1}\" y=\"{2}\">{3:.4$}</text>",
            number(y),
            number(LEFT - 6.0),
            number(y + FONT * 0.35),
            t + 0.0,
            decimals(scale.step)
        );
    }
    for t in ticks(span.0, span.1, time_step(span.1 - span.0, 9)) {
        let _ = write!(out, "<path class=\"grid\" d=\"M{} {}v{PANEL}\"/>", number(x(t)), number(top));
    }
    let _ = write!(out, "<path class=\"axis\" d=\"M{LEFT} {}v{PANEL}H{RIGHT}\"/>", number(top));
    let mut ends = vec![];
    for limit in &limits {
        let y = scale.y(limit.value);
        let _ = write!(out, "<path class=\"limit\" d=\"M{LEFT} {}H{RIGHT}\"/>", number(y));
        let told = format!("{} {}", limit.name, (limit.value * 1000.0).round() / 1000.0);
        ends.push(EndLabel { wanted: y, text: told, class: "limit-name".to_owned() });
    }
    for (i, s) in series.iter().enumerate() {
        let _ = write!(out, "<path class=\"series s{}\" d=\"{}\"/>", i % STYLES, path(&s.points, &scale, &x));
        if let Some(last) = s.points.iter().rev().find(|p| is_sane(p.1)) {
            ends.push(EndLabel {
                wanted: scale.y(last.1),
                text: s.name.clone(),
                class: format!("name n{}", i % STYLES),
            });
        }
    }
    end_labels(out, ends, top);
}

/// Names at the right in order of their heights, pushed apart, with a thin line to where they belong.
fn end_labels(out: &mut String, mut ends: Vec<EndLabel>, top: f64) {
    if ends.len() > MOST_NAMES {
        let more = ends.len() - MOST_NAMES + 1;
        ends.truncate(MOST_NAMES - 1);
        ends.push(EndLabel {
            wanted: top + PANEL,
            text: format!("and {more} more"),
            class: "tick".to_owned(),
        });
    }
    ends.sort_by(|a, b| a.wanted.total_cmp(&b.wanted));
    let mut ys: Vec<f64> = vec![];
    for end in &ends {
        let least = ys.last().map_or(top - LINE * 0.5, |y| y + LINE);
        ys.push(end.wanted.max(least));
    }
    let mut most = top + PANEL - 1.0;
    for y in ys.iter_mut().rev() {
        *y = y.min(most);
        most = *y - LINE;
    }
    for (end, y) in ends.iter().zip(&ys) {
        let text = fit(&end.text, WIDTH - RIGHT - 22.0);
        let _ = write!(
            out,
            "<path class=\"tie\" d=\"M{} {}L{} {}\"/><text class=\"{}\" x=\"{}\" y=\"{}\">{}</text>",
            number(RIGHT + 2.0),
            number(end.wanted),
            number(RIGHT + 12.0),
            number(*y),
            end.class,
            number(RIGHT + 15.0),
            number(y + FONT * 0.35),
            escape(&text)
        );
    }
}

/// The line through the points; of many points in one pixel column the first, least, most and last stay.
fn path(points: &[(f64, f64)], scale: &Scale, x: &impl Fn(f64) -> f64) -> String {
    let chunk = points.len().div_ceil(BUCKETS).max(1);
    let mut kept: Vec<(f64, f64)> = vec![];
    if chunk <= 4 {
        kept.extend_from_slice(points);
    } else {
        for bucket in points.chunks(chunk) {
            let extreme = |sign: f64| {
                bucket
                    .iter()
                    .enumerate()
                    .filter(|(_, p)| is_sane(p.1))
                    .min_by(|a, b| (a.1.1 * sign).total_cmp(&(b.1.1 * sign)))
                    .map(|(i, _)| i)
            };
            let gap = bucket.iter().position(|p| !is_sane(p.1));
            let mut picks: Vec<usize> = [Some(0), extreme(1.0), extreme(-1.0), gap, Some(bucket.len() - 1)]
                .into_iter()
                .flatten()
                .collect();
            picks.sort_unstable();
            picks.dedup();
            kept.extend(picks.into_iter().map(|i| bucket[i]));
        }
    }
    let mut d = String::new();
    let mut pen_down = false;
    for (t, v) in kept {
        if !(is_sane(t) && is_sane(v)) {
            pen_down = false;
            continue;
        }
        let _ = write!(d, "{}{} {}", if pen_down { 'L' } else { 'M' }, number(x(t)), number(scale.y(v)));
        pen_down = true;
    }
    d
}

fn describe(plot: &Plot) -> String {
    let mut out = plot.note.clone();
    for s in &plot.series {
        let finite = s.points.iter().map(|p| p.1).filter(|v| is_sane(*v));
        let (low, high) = finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)));
        if low <= high {
            let _ = write!(out, " {} between {low:.2} and {high:.2} {}.", s.name, s.unit);
        }
    }
    for l in plot.limits.iter().filter(|l| is_sane(l.value)) {
        let _ = write!(out, " Limit {} at {} {}.", l.name, l.value, l.unit);
    }
    for m in plot.marks.iter().filter(|m| is_sane(m.hours)) {
        let _ = write!(out, " At {}: {} {}.", since(m.hours), kind(m.kind).1, m.text);
    }
    out.trim().to_owned()
}
