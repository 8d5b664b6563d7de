//! `tidewright water`: one water, everything that follows from what is known of it.

use seawater::STANDARD_ATMOSPHERE_PA;
use seawater::alkalinity::{calcium_umol_per_kg_from_mg_per_l, umol_per_kg_from_meq_per_l};
use seawater::carbonate::{BoronRatio, Carbonate, Known};
use seawater::density::GravityScale;
use seawater::vapour::wet_partial_pressure_uatm;
use seawater::water::{SalinityBy, WaterInput, WaterSummary};
use serde_json::{Value, json};
use units::{Kind, Quantity, show};

use crate::arguments::{BoronChoice, GravityScaleChoice, WaterOptions};
use crate::console::{Console, Tone};
use crate::ending::{Ending, Failure};
use crate::{json, wrap};

/// Computes and tells.
pub fn run(options: &WaterOptions, console: &mut Console) -> Result<Ending, Failure> {
    let input = input(options)?;
    let water = WaterSummary::of(&input).map_err(|error| {
        let failure = Failure::new(error.to_string());
        match error {
            seawater::water::WaterError::Carbonate(_) => {
                failure.help("look at both readings of the carbonate pair and their units")
            }
            _ => failure.help("`tidewright water --help` shows how each reading is written"),
        }
    })?;
    if console.is_json() {
        console.print_json(&json::answer("water", fields(&water)));
    } else {
        let text = text(&water, console);
        console.print(&text);
    }
    Ok(Ending::of(!water.warnings.is_empty()))
}

/// What the options say, amounts by mass.
fn input(options: &WaterOptions) -> Result<WaterInput, Failure> {
    let scale = match options.gravity_scale {
        GravityScaleChoice::At2525 => GravityScale::AT_25_25,
        GravityScaleChoice::At2020 => GravityScale::AT_20_20,
        GravityScaleChoice::At60F60F => GravityScale::AT_60F_60F,
        GravityScaleChoice::At204 => GravityScale::AT_20_4,
        GravityScaleChoice::At254 => GravityScale::AT_25_4,
    };
    let salinity = (options.salinity.map(SalinityBy::Practical))
        .or(options.conductivity.map(SalinityBy::Conductivity))
        .or(options.specific_gravity.map(|g| SalinityBy::SpecificGravity(g, scale)))
        .or(options.hydrometer.map(|g| SalinityBy::Hydrometer(g, scale)))
        .ok_or_else(|| Failure::new("no measure of the salt is given").help("add --salinity 35"))?;
    let boron = match options.boron {
        BoronChoice::Uppstrom => BoronRatio::Uppstrom1974,
        BoronChoice::Lee => BoronRatio::Lee2010,
    };
    let temperature_c = options.temperature;
    let mut input = WaterInput { temperature_c, salinity, carbonate: None, calcium_umol_per_kg: None, boron };
    let s = input.practical_salinity();
    let by_mass = |q: Quantity| match q.kind {
        Kind::AmountPerVolume => umol_per_kg_from_meq_per_l(q.value, s, temperature_c),
        Kind::Concentration => calcium_umol_per_kg_from_mg_per_l(q.value, s, temperature_c),
        _ => Quantity::in_unit(q, "umol/kg").unwrap_or(f64::NAN),
    };
    let known: Vec<Known> = [
        options.alkalinity.map(|q| Known::Alkalinity(by_mass(q))),
        options.dic.map(|q| Known::Dic(by_mass(q))),
        options.ph.map(Known::PhNbs),
        options.ph_total.map(Known::PhTotal),
        options.pco2.map(|q| {
            Known::Pco2(match q.kind {
                Kind::Ratio => {
                    wet_partial_pressure_uatm(q.value * 1e6, STANDARD_ATMOSPHERE_PA, s, temperature_c)
                }
                _ => q.in_unit("uatm").unwrap_or(f64::NAN),
            })
        }),
    ]
    .into_iter()
    .flatten()
    .collect();
    input.carbonate = match known[..] {
        [] => None,
        [first, second] => Some((first, second)),
        _ => {
            let many = if known.len() == 1 { "only one value" } else { "more than two values" };
            return Err(Failure::new(format!("{many} of the carbonate system given; two fix it"))
                .help("give two of --alkalinity, --dic, --ph (or --ph-total) and --pco2, or none"));
        }
    };
    input.calcium_umol_per_kg = options.calcium.map(by_mass);
    Ok(input)
}

fn fields(water: &WaterSummary) -> Value {
    let c = water.carbonate.as_ref();
    let of = |get: fn(&Carbonate) -> f64| c.map(get);
    json!({
        "temperature_degc": water.temperature_c,
        "salinity": water.salinity,
        "density_kg_per_m3": water.density_kg_per_m3,
        "conductivity_ms_per_cm": water.conductivity_ms_per_cm,
        "specific_gravity_25_25": water.specific_gravity_25_25,
        "heat_capacity_j_per_kg_k": water.heat_capacity_j_per_kg_k,
        "latent_heat_j_per_kg": water.latent_heat_j_per_kg,
        "vapour_pressure_pa": water.vapour_pressure_pa,
        "oxygen_saturation_umol_per_kg": water.oxygen_saturation_umol_per_kg,
        "oxygen_saturation_mg_per_l": water.oxygen_saturation_mg_per_l,
        "calcium_umol_per_kg": water.calcium_umol_per_kg,
        "calcium_mg_per_l": water.calcium_mg_per_l,
        "alkalinity_umol_per_kg": of(|c| c.alkalinity_umol_per_kg),
        "alkalinity_dkh": water.alkalinity_dkh,
        "dic_umol_per_kg": of(|c| c.dic_umol_per_kg),
        "ph_total": of(|c| c.ph_total),
        "ph_nbs": of(|c| c.ph_nbs),
        "ph_free": of(|c| c.ph_free),
        "pco2_uatm": of(|c| c.pco2_uatm),
        "fco2_uatm": of(|c| c.fco2_uatm),
        "co2_umol_per_kg": of(|c| c.co2_umol_per_kg),
        "bicarbonate_umol_per_kg": of(|c| c.bicarbonate_umol_per_kg),
        "carbonate_umol_per_kg": of(|c| c.carbonate_umol_per_kg),
        "borate_umol_per_kg": of(|c| c.borate_umol_per_kg),
        "omega_aragonite": of(|c| c.omega_aragonite),
        "omega_calcite": of(|c| c.omega_calcite),
        "warnings": water.warnings,
    })
}

/// A name and a value a line; the values begin in one column.
fn list(lines: &[(&str, String)]) -> String {
    const NAMES: usize = 26;
    lines.iter().map(|(name, value)| format!("  {name:<NAMES$}  {value}\n")).collect()
}

fn text(water: &WaterSummary, console: &Console) -> String {
    let shown = |value: f64, kind: Kind| show(Quantity::new(value, kind), console.units);
    let mut out = console.paint(Tone::Strong, "Water");
    out += "\n";
    out += &list(&[
        ("temperature", shown(water.temperature_c, Kind::Temperature)),
        ("salinity", format!("{:.2}", water.salinity)),
        ("conductivity", format!("{:.2} mS/cm at this temperature", water.conductivity_ms_per_cm)),
        ("specific gravity", format!("{:.4} (25/25 degC)", water.specific_gravity_25_25)),
        ("density", shown(water.density_kg_per_m3, Kind::Density)),
        ("heat capacity", format!("{:.0} J/(kg K)", water.heat_capacity_j_per_kg_k)),
        ("latent heat", format!("{:.0} kJ/kg", water.latent_heat_j_per_kg / 1000.0)),
        ("vapour pressure", format!("{:.0} Pa", water.vapour_pressure_pa)),
        (
            "oxygen at saturation",
            format!(
                "{:.2} mg/L, {:.1} umol/kg",
                water.oxygen_saturation_mg_per_l, water.oxygen_saturation_umol_per_kg
            ),
        ),
        (
            "calcium",
            format!("{:.0} mg/L, {:.2} mmol/kg", water.calcium_mg_per_l, water.calcium_umol_per_kg / 1000.0),
        ),
    ]);
    if let (Some(c), Some(dkh)) = (&water.carbonate, water.alkalinity_dkh) {
        out += "\n";
        out += &console.paint(Tone::Strong, "Carbonate system");
        out += "\n";
        let amount = |x: f64| format!("{x:.1} umol/kg");
        out += &list(&[
            ("alkalinity", format!("{dkh:.2} dKH, {:.1} umol/kg", c.alkalinity_umol_per_kg)),
            ("dissolved inorganic carbon", amount(c.dic_umol_per_kg)),
            ("pH by a probe (NBS)", format!("{:.3}", c.ph_nbs)),
            ("pH on the total scale", format!("{:.3}", c.ph_total)),
            ("CO2 in equilibrium", format!("{:.0} uatm", c.pco2_uatm)),
            ("dissolved CO2", amount(c.co2_umol_per_kg)),
            ("bicarbonate", amount(c.bicarbonate_umol_per_kg)),
            ("carbonate", amount(c.carbonate_umol_per_kg)),
            ("borate", amount(c.borate_umol_per_kg)),
            ("aragonite saturation", format!("{:.2}", c.omega_aragonite)),
            ("calcite saturation", format!("{:.2}", c.omega_calcite)),
        ]);
    } else {
        out += "\n";
        out += &wrap::hanging(
            "Two of --alkalinity, --dic, --ph and --pco2 would add the carbonate system.",
            console.width,
            0,
        );
    }
    for warning in &water.warnings {
        let text = wrap::after("warning: ", &format!("{warning}."), console.width);
        let head = console.paint(Tone::Caution, "warning:");
        out += "\n";
        out += &text.replacen("warning:", &head, 1);
    }
    out
}
