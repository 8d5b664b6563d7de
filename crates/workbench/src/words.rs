//! Numbers and enumerations of the libraries as people and files read them: hours, margins, harms, severities.

use seawater::alkalinity::dkh_from_meq_per_l;
use system::model::{Harm, MarginUnit, Severity};
use units::{Kind, Quantity, UnitSystem, show};

/// Seconds in an hour.
pub const HOUR_S: f64 = 3600.0;

/// A span of time as it is compared: `40 s`, `12 min`, `6.5 h`, `63 h`.
pub fn span(seconds: f64) -> String {
    let minutes = seconds / 60.0;
    let hours = seconds / HOUR_S;
    if !seconds.is_finite() {
        "never".to_owned()
    } else if seconds < 90.0 {
        format!("{seconds:.0} s")
    } else if minutes < 99.5 {
        format!("{minutes:.0} min")
    } else if hours < 9.95 {
        format!("{hours:.1} h")
    } else {
        format!("{hours:.0} h")
    }
}

/// The margin in the unit that JSON and reports tell it in; None where no margin was ever decided.
pub fn margin(value: f64, unit: MarginUnit) -> Option<f64> {
    let told = match unit {
        MarginUnit::MeqPerLitre => dkh_from_meq_per_l(value),
        MarginUnit::Metre | MarginUnit::CubicMetre => value * 1000.0,
        MarginUnit::Seconds => value / HOUR_S,
        _ => value,
    };
    told.is_finite().then_some(told)
}

/// The unit that [`margin`] tells in.
pub fn margin_unit(unit: MarginUnit) -> &'static str {
    match unit {
        MarginUnit::Kelvin => "K",
        MarginUnit::MgPerLitre => "mg/L",
        MarginUnit::Salinity => "PSU",
        MarginUnit::Ph => "pH",
        MarginUnit::MeqPerLitre => "dKH",
        MarginUnit::Metre => "mm",
        MarginUnit::CubicMetre => "L",
        MarginUnit::Seconds => "h",
        MarginUnit::One => "1",
    }
}

/// A margin for people: `-1.4 K`, `2 gal`; a plain share has no unit.
pub fn margin_text(value: f64, unit: MarginUnit, system: UnitSystem) -> String {
    let kind = match unit {
        MarginUnit::Kelvin => Some(Kind::TemperatureDifference),
        MarginUnit::Metre => Some(Kind::Length),
        MarginUnit::CubicMetre => Some(Kind::Volume),
        _ => None,
    };
    match (kind, margin(value, unit)) {
        (_, None) => "-".to_owned(),
        (_, Some(told)) if unit == MarginUnit::Seconds => {
            let sign = if told < 0.0 { "-" } else { "" };
            format!("{sign}{}", span(value.abs()))
        }
        (Some(kind), _) if system == UnitSystem::Us => {
            show(Quantity::new(value, kind), system).replace(" difference", "")
        }
        (_, Some(told)) => {
            let digits = match unit {
                MarginUnit::Metre => 0,
                MarginUnit::Kelvin | MarginUnit::CubicMetre => 1,
                _ => 2,
            };
            let number = format!("{told:.digits$}");
            match unit {
                MarginUnit::One => number,
                // Nothing broken may look unbroken by rounding, nor the reverse.
                _ if told < 0.0 && !number.contains(|c: char| ('1'..='9').contains(&c)) => {
                    format!("<0 {}", margin_unit(unit))
                }
                _ => format!("{number} {}", margin_unit(unit)),
            }
        }
    }
}

/// What a harm does, to stand behind "what would".
pub fn harm_does(harm: Harm) -> &'static str {
    match harm {
        Harm::Flood => "flood the floor",
        Harm::Cook => "cook the tank",
        Harm::Chill => "chill the tank",
        Harm::Suffocate => "suffocate the tank",
        Harm::Overdose => "overdose or dilute the tank",
        Harm::Starve => "starve the animals",
        Harm::Equipment => "ruin equipment",
        Harm::Dark => "take the night away",
        Harm::Other => "break another requirement",
    }
}

/// A harm in a word, for files.
pub fn harm(harm: Harm) -> &'static str {
    match harm {
        Harm::Flood => "flood",
        Harm::Cook => "cook",
        Harm::Chill => "chill",
        Harm::Suffocate => "suffocate",
        Harm::Overdose => "overdose",
        Harm::Starve => "starve",
        Harm::Equipment => "equipment",
        Harm::Dark => "dark",
        Harm::Other => "other",
    }
}

/// The harms in the order in which they are told.
pub const HARMS: [Harm; 9] = [
    Harm::Flood,
    Harm::Cook,
    Harm::Chill,
    Harm::Suffocate,
    Harm::Overdose,
    Harm::Starve,
    Harm::Equipment,
    Harm::Dark,
    Harm::Other,
];

/// A severity class in a word.
pub fn severity(severity: Severity) -> &'static str {
    match severity {
        Severity::Minor => "minor",
        Severity::Marginal => "marginal",
        Severity::Critical => "critical",
        Severity::Catastrophic => "catastrophic",
    }
}

/// A volume, m³, in litres: `0.4 L`, `12 L`.
pub fn litres(volume: f64) -> String {
    let litres = volume * 1000.0;
    if litres < 9.95 { format!("{litres:.1} L") } else { format!("{litres:.0} L") }
}

/// `1 fault`, `12 faults`.
pub fn count(n: usize, one: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") }
}

/// A text as a sentence: one period at its end.
pub fn sentence(text: &str) -> String {
    let text = text.trim();
    if text.is_empty() || text.ends_with(['.', '!', '?']) { text.to_owned() } else { format!("{text}.") }
}

/// A text with its first letter raised; a name in backticks stays as it is.
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

#[cfg(test)]
mod tests {
    use system::model::MarginUnit;
    use units::UnitSystem;

    use super::{margin, margin_text, sentence, span};

    #[test]
    fn spans_keep_what_matters() {
        assert_eq!(span(42.0), "42 s");
        assert_eq!(span(360.0), "6 min");
        assert_eq!(span(3600.0 * 6.53), "6.5 h");
        assert_eq!(span(3600.0 * 63.0), "63 h");
        assert_eq!(span(f64::INFINITY), "never");
    }

    #[test]
    fn margins_come_in_units_of_the_trade() {
        // A degree of carbonate hardness is 10 mg CaO a litre: 1 meq/L is 2.804 dKH.
        assert!(margin(1.0, MarginUnit::MeqPerLitre).is_some_and(|x| (x - 2.804).abs() < 1e-3));
        assert_eq!(margin(f64::INFINITY, MarginUnit::Kelvin), None);
        assert_eq!(margin_text(-0.0102, MarginUnit::CubicMetre, UnitSystem::Metric), "-10.2 L");
        assert_eq!(margin_text(-0.0102, MarginUnit::CubicMetre, UnitSystem::Us), "-2.695 gal");
        assert_eq!(margin_text(-0.01, MarginUnit::Kelvin, UnitSystem::Metric), "<0 K");
        assert_eq!(margin_text(-1.0, MarginUnit::Kelvin, UnitSystem::Us), "-1.8 degF");
    }

    #[test]
    fn sentences_end_once() {
        assert_eq!(sentence("the heater is dead"), "the heater is dead.");
        assert_eq!(sentence("dead."), "dead.");
    }
}
