//! Trips, their resets, and stall limits of rules.

use units::Kind;

use super::conditions::{in_scale, report};
use super::rules::threshold;
use super::signals::{Signals, unit_of};
use crate::expr::{Comparison, Condition, Term};
use crate::language::Word;
use crate::language::condition::parse_threshold;
use crate::model::{RuleForm, Scale, Stall, Trip, TripReset};
use crate::raw::{Field, Table};

pub(super) fn trip<'a>(signals: &mut Signals<'_, 'a>, table: &Table<'a>) -> Option<Trip> {
    let reset_field = table.get("trip_reset");
    let Some(field) = table.get("trip") else {
        if let Some(reset) = reset_field {
            reset.report(
                "conflicting-keys",
                format!("{} resets a trip that it does not have", table.label),
                "",
                "add trip = \"...\", or take out `trip_reset`",
            );
        }
        return None;
    };
    let when = signals.condition(&field);
    let Some(reset_field) = reset_field else {
        table.missing("trip_reset", "\"by hand\"");
        return None;
    };
    let when = when?;
    let reset = trip_reset(signals, &reset_field, &when)?;
    Some(Trip { when, reset })
}

const RESETS: &str =
    "write \"by hand\", \"below 26 degC\", \"3 per day below 26 degC\" or \"when <condition>\"";

fn trip_reset<'a>(signals: &mut Signals<'_, 'a>, field: &Field<'a>, trip: &Condition) -> Option<TripReset> {
    let text = field.text()?;
    let mut rest = text.trim_start();
    if rest.trim_end() == "by hand" {
        return Some(TripReset::ByHand);
    }
    let mut per_day = None;
    if let Some((count, after)) = rest.split_once("per day")
        && let Some(count) = count.trim().parse::<u8>().ok().filter(|count| *count > 0)
    {
        per_day = Some(count);
        rest = after;
    }
    let offset = text.len() - rest.len();
    let lead = rest.len() - rest.trim_start().len();
    if let Some(condition) = rest.trim_start().strip_prefix("when ") {
        let start = offset + lead + "when ".len();
        let parsed = match crate::language::condition::parse(condition) {
            Ok(parsed) => parsed,
            Err(error) => {
                let span = start + error.span.start..start + error.span.end;
                report(field, "bad-trip-reset", span, error.message, error.help);
                return None;
            }
        };
        // Spans of names count from the condition, so the field's own place is good enough for their findings.
        let when = signals.resolve(&shifted(parsed, start), field)?;
        return Some(TripReset::Auto { when, per_day });
    }
    if let Some((op, word)) = parse_threshold(rest, offset) {
        let Some((term, ..)) = threshold(trip) else {
            report(
                field,
                "bad-trip-reset",
                0..text.len(),
                "`below` and `above` speak of the signal that tripped, but the trip is not one comparison"
                    .to_owned(),
                "write \"when <condition>\" and name the signal".to_owned(),
            );
            return None;
        };
        let scale = match &term {
            Term::Signal(signal) => signals.get(*signal).scale,
            Term::Difference(signal, _) | Term::Apart(signal, _) => {
                super::signals::difference_scale(signals.get(*signal).scale)
            }
            Term::Constant(_) => return None,
        };
        let (_, counts) = in_scale(&word, scale, field)?;
        check_reset_side(field, trip, op, counts, scale);
        let when = Condition::Compare { left: term, op, right: Term::Constant(counts) };
        return Some(TripReset::Auto { when, per_day });
    }
    report(
        field,
        "bad-trip-reset",
        0..text.len(),
        format!("`{text}` does not say how the trip resets"),
        RESETS.to_owned(),
    );
    None
}

/// A trip above 27.8 must reset below something lower, else it resets while it trips.
fn check_reset_side(field: &Field<'_>, trip: &Condition, op: Comparison, counts: i32, scale: Scale) {
    let Some((_, trips_below, at)) = threshold(trip) else { return };
    let resets_below = matches!(op, Comparison::Less | Comparison::LessEqual);
    let apart = if trips_below { counts > at } else { counts < at };
    if trips_below == resets_below || !apart {
        let unit = unit_of(scale).map_or("", |(kind, _)| kind.base_symbol());
        let trips = unit_of(scale).map_or(f64::from(at), |(_, per_unit)| f64::from(at) / per_unit);
        report(
            field,
            "thresholds-reversed",
            0..field.text().map_or(0, str::len),
            format!("the trip would reset while it still trips, at {trips} {unit}"),
            format!(
                "reset it on the other side: {} {trips} {unit}",
                if trips_below { "above" } else { "below" }
            ),
        );
    }
}

/// Moves the places of a condition that began further on in its text.
fn shifted(condition: crate::language::condition::Cond, by: usize) -> crate::language::condition::Cond {
    use crate::language::condition::{Cond, Side};
    let word = |mut word: Word| {
        word.span = word.span.start + by..word.span.end + by;
        word
    };
    let side = |side: Side| match side {
        Side::Quantity(a) => Side::Quantity(word(a)),
        Side::Name(a) => Side::Name(word(a)),
        Side::Difference(a, b) => Side::Difference(word(a), word(b)),
        Side::Apart(a, b) => Side::Apart(word(a), word(b)),
    };
    match condition {
        Cond::Constant(value) => Cond::Constant(value),
        Cond::Name(a) => Cond::Name(word(a)),
        Cond::Bad(a) => Cond::Bad(word(a)),
        Cond::Tripped(a) => Cond::Tripped(word(a)),
        Cond::Running(a) => Cond::Running(word(a)),
        Cond::Not(inner) => Cond::Not(Box::new(shifted(*inner, by))),
        Cond::All(parts) => Cond::All(parts.into_iter().map(|part| shifted(part, by)).collect()),
        Cond::Any(parts) => Cond::Any(parts.into_iter().map(|part| shifted(part, by)).collect()),
        Cond::Compare { left, op, right } => Cond::Compare { left: side(left), op, right: side(right) },
    }
}

/// `3 h on without 0.2 K gain`.
pub(super) fn stall<'a>(
    signals: &Signals<'_, 'a>,
    table: &Table<'a>,
    form: Option<&RuleForm>,
) -> Option<Stall> {
    let signal_field = table.get("stall_signal");
    let field = table.get("stall")?;
    let text = field.text()?;
    let split = text.split_once("on without");
    let Some((time, gain)) = split else {
        report(
            &field,
            "bad-stall",
            0..text.len(),
            format!("`{text}` does not say when the actuator stalls"),
            "write it like \"3 h on without 0.2 K gain\"".to_owned(),
        );
        return None;
    };
    let after = units::Quantity::parse_as(time, Kind::Time);
    let after_s = match after {
        Ok(quantity) if quantity.value > 0.0 => quantity.value,
        _ => {
            report(
                &field,
                "bad-stall",
                0..time.len(),
                format!("`{}` is not a time", time.trim()),
                "write it like \"3 h on without 0.2 K gain\"".to_owned(),
            );
            return None;
        }
    };
    let (signal, falls_of_form) = match (signal_field, form) {
        (Some(field), _) => (signals.numeric(&field)?, false),
        (None, Some(RuleForm::Switch { start, .. })) => match threshold(start) {
            Some((Term::Signal(signal), below, _)) => (signal, !below),
            _ => return stall_signal_missing(table),
        },
        (None, Some(RuleForm::Modulate { measure, cools, .. })) => (*measure, *cools),
        (None, Some(_)) => return stall_signal_missing(table),
        (None, None) => return None,
    };
    let gain_start = time.len() + "on without".len();
    let (gain_text, falls) = match gain.trim_end() {
        g if g.ends_with("gain") => (&g[..g.len() - "gain".len()], falls_of_form),
        g if g.ends_with("fall") => (&g[..g.len() - "fall".len()], true),
        g => (g, falls_of_form),
    };
    let scale = super::signals::difference_scale(signals.get(signal).scale);
    let lead = gain_text.len() - gain_text.trim_start().len();
    let start = gain_start + lead;
    let word = Word { text: gain_text.trim().to_owned(), span: start..start + gain_text.trim().len() };
    let (_, counts) = in_scale(&word, scale, &field)?;
    if counts <= 0 {
        report(
            &field,
            "not-positive",
            word.span,
            "the gain must be more than zero".to_owned(),
            "write a gain that a sound part reaches in that time".to_owned(),
        );
        return None;
    }
    Some(Stall { after_s, signal, gain: if falls { -counts } else { counts } })
}

fn stall_signal_missing(table: &Table<'_>) -> Option<Stall> {
    table.missing("stall_signal", "\"display_temp\"");
    None
}
