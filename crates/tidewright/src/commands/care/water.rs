//! Water: use in a day by a log, doses, limewater, water changes.

use std::io::Read as _;
use std::path::Path;

use audit::Facts;
use care::Estimate;
use care::water::Tank;
use care::water::change::{Manner, mixed, new_water};
use care::water::consumption::{Consumption, consumption};
use care::water::dose::{Stock, Wanted, plan};
use care::water::ions::balance;
use care::water::lime::{LimeDosing, plan as lime_plan};
use care::water::log::{Log, number_of};
use care::water::quantity::Tested;
use care::water::salts::Salt;
use seawater::alkalinity::dkh_from_meq_per_l;
use serde_json::{Value, json};
use system::System;

use super::options::{ChangeOptions, DoseOptions, LimeOptions, UseOptions};
use super::{Answer, list, number};
use crate::console::Console;
use crate::ending::Failure;
use crate::table::{Column, Table};

/// The water of a system; its volume as given, else by the file's geometry.
fn tank(system: &System, facts: &Facts, volume_l: Option<f64>) -> Result<Tank, Failure> {
    let volume_l = volume_l.or(facts.water.as_ref().map(|w| w.volume_l)).ok_or_else(|| {
        Failure::new("the file has no vessels, so the volume of its water is not known")
            .help("add --volume, such as `--volume '200 L'`")
    })?;
    Ok(Tank { volume_l, salinity: system.water.salinity, temperature_c: system.water.temperature_c })
}

/// What is measured in a unit, by a person: with or without it.
fn value(tested: Tested, option: &str, text: &str) -> Result<f64, Failure> {
    let plain = text.trim().trim_end_matches("/day").trim();
    number_of(tested, plain).map_err(|why| {
        Failure::new(format!("{option} {text}: {why}")).help(format!(
            "write such as `{} {}`",
            example(tested),
            tested.unit()
        ))
    })
}

fn example(tested: Tested) -> f64 {
    f64::midpoint(tested.aim().target.0, tested.aim().target.1)
}

/// Use in a day of all that the log has tests of.
pub fn usage(options: &UseOptions, system: &System, console: &Console) -> Result<Answer, Failure> {
    let text = read(&options.log)?;
    let log = Log::read(&text).map_err(|mistakes| {
        let lines: Vec<String> =
            mistakes.iter().take(5).map(|m| format!("line {}: {}", m.line, m.message)).collect();
        let more =
            if mistakes.len() > 5 { format!("; and {} more", mistakes.len() - 5) } else { String::new() };
        Failure::new(format!("`{}` cannot be read; {}{more}", options.log.display(), lines.join("; ")))
            .help("a line is `2026-11-01,alkalinity,8.2 dKH`; docs/care.md has the form")
    })?;
    let facts = audit::run(system).facts;
    // Without a volume only doses that are given as salts cannot be counted.
    let tank = tank(system, &facts, None)?;
    let mut rows = vec![];
    let mut fields = vec![];
    let mut findings = vec![];
    let mut known: Vec<(Tested, Estimate)> = vec![];
    for tested in log.tested() {
        let tests = log.tests(tested);
        match consumption(tested, &tests, &log.events(tested, &tank)) {
            Ok(found) => {
                rows.push(row(tested, &found));
                fields.push(of_use(tested, &found));
                findings.extend(found.findings.iter().cloned().map(|f| f.subject(tested.name())));
                known.push((tested, found.per_day));
            }
            Err(why) => {
                rows.push(vec![
                    tested.name().into(),
                    tests.len().to_string(),
                    "-".into(),
                    "-".into(),
                    why.to_string(),
                ]);
                fields.push(
                    json!({ "quantity": tested.name(), "tests": tests.len(), "reason": why.to_string() }),
                );
            }
        }
    }
    if rows.is_empty() {
        return Err(Failure::new(format!("`{}` has no test of anything", options.log.display()))
            .help("a line is `2026-11-01,alkalinity,8.2 dKH`"));
    }
    let of = |wanted: Tested| known.iter().find(|(t, _)| *t == wanted).map(|(_, e)| *e);
    if let (Some(alkalinity), Some(calcium)) = (of(Tested::Alkalinity), of(Tested::Calcium)) {
        findings.extend(balance(alkalinity, calcium));
    }
    let columns = vec![
        Column::text("Quantity", 0, 10),
        Column::number("Tests", 1),
        Column::number("Used a day", 0),
        Column::number("Now", 0),
        Column::text("", 0, 10),
    ];
    let text = Table { columns, rows }.render(console.width, 0);
    Ok(Answer {
        heading: "used up in a day (intervals of 95 %)".into(),
        text,
        fields: json!({ "uses": fields }),
        findings,
    })
}

fn row(tested: Tested, found: &Consumption) -> Vec<String> {
    let places = tested.decimals() + 1;
    let shown = |e: Estimate, places: usize| {
        if e.half95.is_finite() {
            format!("{:.places$} ± {:.places$}", e.value, e.half95)
        } else {
            format!("{:.places$} ± ?", e.value)
        }
    };
    vec![
        tested.name().into(),
        found.n_tests.to_string(),
        shown(found.per_day, places),
        shown(found.now, tested.decimals()),
        tested.unit().into(),
    ]
}

fn of_use(tested: Tested, found: &Consumption) -> Value {
    json!({
        "quantity": tested.name(),
        "unit": tested.unit(),
        "tests": found.n_tests,
        "per_day": number(found.per_day.value),
        "per_day_half95": number(found.per_day.half95),
        "now": number(found.now.value),
        "now_half95": number(found.now.half95),
        "test_sd": number(found.test_sd),
    })
}

fn read(path: &Path) -> Result<String, Failure> {
    const LONGEST: u64 = 4 << 20;
    let mut text = String::new();
    let read = if path == Path::new("-") {
        std::io::stdin().lock().take(LONGEST).read_to_string(&mut text)
    } else {
        std::fs::File::open(path).and_then(|file| file.take(LONGEST).read_to_string(&mut text))
    };
    read.map_err(|error| {
        Failure::new(format!("cannot read `{}`: {error}", path.display())).help("name a log as CSV, in UTF-8")
    })?;
    Ok(text)
}

/// A dose.
pub fn dose(options: &DoseOptions, system: &System) -> Result<Answer, Failure> {
    let tested = Tested::of_name(&options.quantity).ok_or_else(|| {
        Failure::new(format!("`{}` is not dosed", options.quantity))
            .help("alkalinity, calcium and magnesium are")
    })?;
    let salt = Salt::of_name(&options.salt).ok_or_else(|| {
        let known: Vec<&str> = Salt::ALL.iter().map(|s| s.name()).collect();
        Failure::new(format!("`{}` is no salt that is known", options.salt))
            .help(format!("known are {}", known.join(", ")))
    })?;
    let facts = audit::run(system).facts;
    let tank = tank(system, &facts, options.volume)?;
    let by_file = if tested == Tested::Alkalinity {
        dkh_from_meq_per_l(system.water.consumption_meq_l_day)
    } else {
        0.0
    };
    let optional =
        |name: &str, text: &Option<String>| text.as_deref().map(|t| value(tested, name, t)).transpose();
    let wanted = Wanted {
        tested,
        now: value(tested, "--now", &options.now)?,
        target: value(tested, "--target", &options.target)?,
        use_per_day: optional("--use", &options.use_per_day)?.unwrap_or(by_file),
        limit_per_day: optional("--limit", &options.limit)?,
    };
    let ph = options.ph.or(system.water.ph_nbs).or(facts.water.as_ref().map(|w| w.ph_nbs));
    let stock = options.stock.map(|g_per_l| Stock { g_per_l });
    let made = plan(&tank, &wanted, salt, stock, ph).map_err(|error| Failure::new(error.to_string()))?;
    let (unit, places) = (tested.unit(), tested.decimals());
    let mut lines = vec![
        ("salt", format!("{} ({})", salt.name(), salt.formula())),
        ("water", format!("{:.0} L", tank.volume_l)),
    ];
    if made.days > 0 {
        lines.push((
            "for",
            format!(
                "{} day{}, {:.places$} {unit} net a day",
                made.days,
                if made.days == 1 { "" } else { "s" },
                made.rise_per_day
            ),
        ));
        lines.push(("each of them", grams_and_ml(made.g_per_day, made.ml_per_day.map(|m| m.0))));
    }
    lines.push(("then, a day", grams_and_ml(made.hold_g_per_day, made.ml_per_day.map(|m| m.1))));
    if let Some((before, after)) = made.ph {
        lines.push(("pH", format!("{before:.2} to {after:.2} if a day's dose went in at once")));
        lines.push(("portions a day", format!("{} at least", made.portions)));
    }
    let fields = json!({
        "quantity": tested.name(), "unit": unit, "now": wanted.now, "target": wanted.target, "use_per_day": number(wanted.use_per_day),
        "salt": salt.name(), "formula": salt.formula(), "volume_l": number(tank.volume_l), "days": made.days,
        "rise_per_day": number(made.rise_per_day), "rise_g": number(made.rise_g), "g_per_day": number(made.g_per_day),
        "hold_g_per_day": number(made.hold_g_per_day), "ml_per_day": made.ml_per_day.map(|m| m.0),
        "hold_ml_per_day": made.ml_per_day.map(|m| m.1), "ph_before": made.ph.map(|p| p.0), "ph_after": made.ph.map(|p| p.1),
        "portions": made.portions,
    });
    let heading =
        format!("{} from {:.places$} to {:.places$} {unit}", tested.name(), wanted.now, wanted.target);
    Ok(Answer { heading, text: list(&lines), fields, findings: made.findings })
}

fn grams_and_ml(grams: f64, ml: Option<f64>) -> String {
    ml.map_or_else(|| format!("{grams:.2} g"), |ml| format!("{grams:.2} g, {ml:.1} mL of the solution"))
}

/// Limewater within evaporation.
pub fn lime(options: &LimeOptions, system: &System) -> Result<Answer, Failure> {
    let facts = audit::run(system).facts;
    let tank = tank(system, &facts, options.volume)?;
    let evaporation_l_day = evaporation(&facts, options.evaporation)?;
    let use_dkh_day = match &options.use_per_day {
        Some(text) => value(Tested::Alkalinity, "--use", text)?,
        None => dkh_from_meq_per_l(system.water.consumption_meq_l_day),
    };
    let dosing = LimeDosing {
        evaporation_l_day,
        saturation: options.saturation,
        temperature_c: options.temperature,
        use_dkh_day,
        portion_l: options.portion,
        alkalinity_dkh: dkh_from_meq_per_l(system.water.alkalinity_meq_l),
        calcium_mg_l: system.water.calcium_mg_l,
        ph_nbs: system.water.ph_nbs.or(facts.water.as_ref().map(|w| w.ph_nbs)).unwrap_or(8.2),
    };
    let made = lime_plan(&tank, &dosing).ok_or_else(|| {
        Failure::new("a number of these cannot be")
            .help("look at volume, evaporation (less than the tank) and use (0 to 10 dKH a day)")
    })?;
    let most = made.most_dkh_day;
    let mut lines = vec![
        ("evaporates", format!("{:.1} ± {:.1} L a day", evaporation_l_day.value, evaporation_l_day.half95)),
        ("limewater", format!("{:.1} meq/L", made.meq_per_l)),
        (
            "gives at most",
            format!(
                "{:.2} ± {:.2} dKH and {:.1} mg/L of calcium a day",
                most.value, most.half95, made.most_calcium_mg_l_day
            ),
        ),
        ("use", format!("{use_dkh_day:.2} dKH a day")),
        (
            "dose",
            format!("{:.2} L a day, {:.0} % of the top-off", made.litres_day, made.share_of_top_off * 100.0),
        ),
        ("from elsewhere", format!("{:.2} dKH a day", made.rest_dkh_day)),
    ];
    if let Some((before, after)) = made.ph {
        lines.push(("pH by a portion", format!("{before:.2} to {after:.2}, before the air follows")));
    }
    let fields = json!({
        "evaporation_l_day": number(evaporation_l_day.value), "evaporation_half95_l_day": number(evaporation_l_day.half95),
        "meq_per_l": number(made.meq_per_l), "most_dkh_day": number(most.value), "most_half95_dkh_day": number(most.half95),
        "most_calcium_mg_l_day": number(made.most_calcium_mg_l_day), "use_dkh_day": number(use_dkh_day),
        "litres_day": number(made.litres_day), "share_of_top_off": number(made.share_of_top_off),
        "rest_dkh_day": number(made.rest_dkh_day), "ph_before": made.ph.map(|p| p.0), "ph_after": made.ph.map(|p| p.1),
    });
    Ok(Answer {
        heading: "limewater with the top-off".into(),
        text: list(&lines),
        fields,
        findings: made.findings,
    })
}

/// As measured (to a tenth, assumed), else by the audit's calculation in the first climate.
fn evaporation(facts: &Facts, measured: Option<f64>) -> Result<Estimate, Failure> {
    if let Some(value) = measured {
        return Ok(Estimate { value, half95: 0.1 * value });
    }
    let first = facts.evaporation.first().ok_or_else(|| {
        Failure::new("the file has no climate, so evaporation is not known")
            .help("measure it, and add --evaporation '4.5 L'")
    })?;
    Ok(Estimate { value: first.l_day, half95: first.high_l_day - first.l_day })
}

/// A water change and its new water.
pub fn change(options: &ChangeOptions, system: &System) -> Result<Answer, Failure> {
    let facts = audit::run(system).facts;
    let tank = tank(system, &facts, options.volume)?;
    let salinity = options.salinity.unwrap_or(tank.salinity);
    let temperature = options.temperature.unwrap_or(tank.temperature_c);
    let share = options.litres / tank.volume_l;
    let manner = if options.steadily { Manner::Steadily } else { Manner::AtOnce };
    if share > 1.0 && !options.steadily {
        return Err(Failure::new(format!(
            "{:.0} L are more than the {:.0} L of the tank",
            options.litres, tank.volume_l
        ))
        .help("change less, or give --steadily"));
    }
    let water = new_water(options.litres, salinity, temperature, options.moisture).ok_or_else(|| {
        Failure::new("no such water can be made").help("salinity 0 to 50, 0 to 40 degC, moisture below 60 %")
    })?;
    let mut lines = vec![
        ("changed", format!("{:.0} L of {:.0} L, {:.0} %", options.litres, tank.volume_l, share * 100.0)),
        ("salt", format!("{:.2} kg for salinity {salinity:.1}", water.salt_kg)),
        ("fresh water", format!("{:.2} kg at {temperature:.1} degC", water.fresh_kg)),
    ];
    let mut values = vec![json!({ "quantity": "salinity", "before": tank.salinity, "new": salinity,
        "after": number(mixed(tank.salinity, salinity, share, manner)) })];
    lines.push((
        "salinity",
        format!("{:.2} to {:.2}", tank.salinity, mixed(tank.salinity, salinity, share, manner)),
    ));
    for text in &options.value {
        let (tested, now, new) = value_pair(text)?;
        let after = mixed(now, new, share, manner);
        let places = tested.decimals();
        lines.push((tested.name(), format!("{now:.places$} to {after:.places$} {}", tested.unit())));
        values.push(json!({ "quantity": tested.name(), "before": now, "new": new, "after": number(after) }));
    }
    let fields = json!({
        "litres": options.litres, "volume_l": number(tank.volume_l), "salt_kg": number(water.salt_kg), "fresh_kg": number(water.fresh_kg),
        "values": values,
    });
    Ok(Answer { heading: "water change".into(), text: list(&lines), fields, findings: vec![] })
}

/// `NAME=NOW,NEW`.
fn value_pair(text: &str) -> Result<(Tested, f64, f64), Failure> {
    let wrong = |why: &str| {
        Failure::new(format!("--value {text}: {why}")).help("write such as `--value nitrate=20,0`")
    };
    let (name, values) =
        text.split_once('=').ok_or_else(|| wrong("a name, `=` and two values are needed"))?;
    let tested = Tested::of_name(name).ok_or_else(|| wrong("this is not tested"))?;
    let (now, new) = values.split_once(',').ok_or_else(|| wrong("two values are needed"))?;
    let number = |text: &str| number_of(tested, text).map_err(|why| wrong(&why));
    Ok((tested, number(now)?, number(new)?))
}
