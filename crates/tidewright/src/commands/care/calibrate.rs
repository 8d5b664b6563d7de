//! Calibrating one part: how it goes, and what comes of readings.

use care::calibration::buffers::{Buffer, Reference};
use care::calibration::electrode::{self, BufferPoint, PhCalibration};
use care::calibration::linear::{self, LinearPoint, Measured, seawater_standard_ms_cm};
use care::calibration::pump::{self, Catch};
use program::calibration::PhElectrode;
use serde_json::{Value, json};
use system::System;
use system::model::{PassageKind, SensorKind};
use units::{Kind, Quantity};

use super::options::CalibrateOptions;
use super::{Answer, list, number};
use crate::console::Console;
use crate::ending::Failure;
use crate::{quantity, wrap};

/// What a part is to a calibration.
enum Part {
    Electrode,
    Thermometer,
    Cell,
    /// With its flow by the file, mL/min.
    Pump(f64),
}

/// Calibrates, or says how.
pub fn calibrate(options: &CalibrateOptions, system: &System, console: &Console) -> Result<Answer, Failure> {
    let part = part(system, &options.part)?;
    let is_pump = matches!(part, Part::Pump(_));
    if options.point.is_empty() && options.catches.is_empty() {
        return Ok(guide(&options.part, &part, console));
    }
    if is_pump != options.point.is_empty() || is_pump == options.catches.is_empty() {
        return Err(Failure::new(format!(
            "`{}` takes {}",
            options.part,
            if is_pump { "--catch, not --point" } else { "--point, not --catch" }
        ))
        .help(format!("`tidewright care FILE calibrate {}` says how", options.part)));
    }
    match part {
        Part::Electrode => of_electrode(options),
        Part::Thermometer => of_linear(options, Measured::Temperature),
        Part::Cell => of_linear(options, Measured::Conductivity),
        Part::Pump(nominal) => of_pump(options, nominal),
    }
}

fn part(system: &System, name: &str) -> Result<Part, Failure> {
    if let Some(sensor) = system.sensors.iter().find(|s| s.name == name) {
        return match sensor.kind {
            SensorKind::Ph { .. } => Ok(Part::Electrode),
            SensorKind::Conductivity => Ok(Part::Cell),
            SensorKind::Ds18b20 | SensorKind::Tmp36 { .. } | SensorKind::Ntc { .. } => Ok(Part::Thermometer),
            _ => Err(Failure::new(format!("`{name}` is not calibrated: it switches or counts")).help(
                format!("`tidewright care FILE proof --steps float:{name}` says how contacts are tried"),
            )),
        };
    }
    let pumped =
        |p: &&system::model::Passage| p.kind.pump().is_some_and(|a| system.actuators[a.idx()].name == name);
    match system.passages.iter().find(pumped).map(|p| &p.kind) {
        Some(PassageKind::Line { flow, .. }) => Ok(Part::Pump(flow * 60e6)),
        _ => {
            let known: Vec<&str> = system.sensors.iter().map(|s| s.name.as_str()).collect();
            Err(Failure::new(format!("`{name}` is neither a probe nor a pump of a line in the file")).help(
                format!("sensors are {}; pumps are those of passages of the kind `line`", known.join(", ")),
            ))
        }
    }
}

fn guide(name: &str, part: &Part, console: &Console) -> Answer {
    let (steps, example): (&[&str], &str) = match part {
        Part::Electrode => (
            &[
                "Let two or three closed buffers float in the tank for half an hour: 7.00 and 10.01 (or 6.86 and 9.18), a third of 4.01 if you like",
                "Rinse electrode and thermometer, put both into the first buffer, stir once, wait until the reading stands: less than 0.3 mV in a minute",
                "Write down buffer, voltage (or the pH of an uncalibrated board) and temperature; rinse; the next one. The alkaline buffer last: throw it away",
                "Put the electrode back; keep it wet",
            ],
            "--point '7.00, 3.1 mV, 25.2 degC' --point '10.01, -168.4 mV, 25.1 degC'",
        ),
        Part::Thermometer => (
            &[
                "One reference: hang a thermometer that is known better beside the probe in the moving water, five minutes",
                "Or crushed ice with distilled water, stirred: 0.0 degC (common practice, good to 0.1 K). Two references: ice, and warm water with the other thermometer",
                "Write down what is true and what the board shows, without an earlier calibration",
            ],
            "--point '25.30 degC, 25.52 degC'",
        ),
        Part::Cell => (
            &[
                "Rinse the cell with the standard, put it in without bubbles, wait until the reading stands",
                "The standard is what its bottle says at its temperature, or seawater of a known salinity: `salinity 35 at 24.8 degC`",
                "Write down what is true and what the board shows, without an earlier calibration",
            ],
            "--point '53.07 mS/cm, 51.2 mS/cm'",
        ),
        Part::Pump(_) => (
            &[
                "Fill the line until no air is in it; limewater is replaced by water first: it burns",
                "Hold the end at its usual height over a measuring cylinder and let the pump run for a measured time, three times; each catch as large as the cylinder",
                "Write down times and volumes",
            ],
            "--catch '600 s, 30.2 mL' --catch '600 s, 29.8 mL' --catch '600 s, 30.0 mL'",
        ),
    };
    let mut text = String::new();
    for (k, step) in steps.iter().enumerate() {
        text += &wrap::after(&format!("{}. ", k + 1), step, console.width);
    }
    text += &format!("\nThen: tidewright care FILE calibrate {name} {example}\n");
    Answer {
        heading: format!("calibrating {name}"),
        text,
        fields: json!({ "part": name, "guide": steps, "result": Value::Null }),
        findings: vec![],
    }
}

fn wrong(text: &str, why: &str, form: &str) -> Failure {
    Failure::new(format!("`{text}`: {why}")).help(format!("write such as `{form}`"))
}

const PH_FORM: &str = "7.00, 3.1 mV, 25.2 degC";

fn of_electrode(options: &CalibrateOptions) -> Result<Answer, Failure> {
    let points = options.point.iter().map(|text| ph_point(text)).collect::<Result<Vec<_>, _>>()?;
    let made = electrode::calibrate(&points).map_err(|error| Failure::new(error.to_string()))?;
    let lines = [
        ("slope below pH 7", format!("{:.1} %", made.acid_slope_percent)),
        ("slope above pH 7", format!("{:.1} %", made.base_slope_percent)),
        ("offset", format!("{:+.1} mV", made.offset_mv)),
        ("a pH of 8.2 is good to", format!("±{:.3} (95 %)", made.half95_at_8_2)),
        ("for the board", for_the_board(&made)),
    ];
    let fields = json!({
        "acid_slope_percent": number(made.acid_slope_percent),
        "base_slope_percent": number(made.base_slope_percent),
        "offset_mv": number(made.offset_mv),
        "half95_ph": number(made.half95_at_8_2),
        "is_accepted": made.is_accepted,
        "board": made.is_accepted.then(|| json!({
            "offset_uv": made.electrode.offset_uv,
            "acid_slope_uv": made.electrode.acid_slope_uv,
            "base_slope_uv": made.electrode.base_slope_uv,
        })),
    });
    Ok(answer(options, &lines, fields, made.findings))
}

fn for_the_board(made: &PhCalibration) -> String {
    let e = made.electrode;
    if made.is_accepted {
        format!(
            "offset {} µV, slopes {} and {} µV/pH at 25 °C",
            e.offset_uv, e.acid_slope_uv, e.base_slope_uv
        )
    } else {
        "nothing: it is not accepted".to_owned()
    }
}

fn answer(
    options: &CalibrateOptions,
    lines: &[(&str, String)],
    result: Value,
    findings: Vec<system::Diagnostic>,
) -> Answer {
    let findings = findings.into_iter().map(|f| f.subject(options.part.clone())).collect();
    Answer {
        heading: format!("calibration of {}", options.part),
        text: list(lines),
        fields: json!({ "part": options.part, "guide": Value::Null, "result": result }),
        findings,
    }
}

/// `BUFFER, READING, TEMPERATURE`.
fn ph_point(text: &str) -> Result<BufferPoint, Failure> {
    let cells: Vec<&str> = text.split(',').map(str::trim).collect();
    let [buffer, reading, temperature] = cells[..] else {
        return Err(wrong(text, "buffer, reading and temperature are needed", PH_FORM));
    };
    let temperature_c = quantity::temperature(temperature).map_err(|why| wrong(text, &why, PH_FORM))?;
    let reference = match (Buffer::of_label(buffer), buffer.parse::<f64>()) {
        (Some(buffer), _) => Reference::Table(buffer),
        (None, Ok(ph)) => Reference::Printed(ph),
        (None, Err(_)) => return Err(wrong(text, "the buffer is told by its pH", PH_FORM)),
    };
    let electrode_mv = match reading.parse::<f64>() {
        // What a board without a calibration shows: an ideal electrode's pH.
        Ok(ph) => electrode::voltage_mv(ph, temperature_c, &PhElectrode::IDEAL),
        Err(_) => quantity::of(reading, Kind::Voltage).map_err(|why| wrong(text, &why, PH_FORM))? * 1e3,
    };
    Ok(BufferPoint { reference, temperature_c, electrode_mv, sd_mv: 0.0 })
}

fn of_linear(options: &CalibrateOptions, measured: Measured) -> Result<Answer, Failure> {
    let points =
        options.point.iter().map(|text| linear_point(text, measured)).collect::<Result<Vec<_>, _>>()?;
    let (unit, used_at) = match measured {
        Measured::Temperature => ("K", 25.0),
        Measured::Conductivity => ("mS/cm", 53.0),
    };
    let made =
        linear::calibrate(measured, &points, used_at).map_err(|error| Failure::new(error.to_string()))?;
    let board = if made.is_accepted {
        format!("offset {} thousandths, gain {} ppm", made.linear.offset, made.linear.gain_ppm)
    } else {
        "nothing: it is not accepted".to_owned()
    };
    let lines = [
        ("off by", format!("{:+.3} {unit} at the first reference", made.offset)),
        ("stretched by", format!("{:+.2} %", (made.gain - 1.0) * 100.0)),
        ("for the board", board),
    ];
    let fields = json!({
        "offset": number(made.offset),
        "gain": number(made.gain),
        "is_accepted": made.is_accepted,
        "board": made.is_accepted.then(|| json!({ "offset": made.linear.offset, "gain_ppm": made.linear.gain_ppm })),
    });
    Ok(answer(options, &lines, fields, made.findings))
}

/// `TRUTH, READING`; of conductivity the truth may be `salinity S at T`.
fn linear_point(text: &str, measured: Measured) -> Result<LinearPoint, Failure> {
    let (kind, form) = match measured {
        Measured::Temperature => (Kind::Temperature, "25.30 degC, 25.52 degC"),
        Measured::Conductivity => (Kind::Conductivity, "53.07 mS/cm, 51.2 mS/cm"),
    };
    let cells: Vec<&str> = text.split(',').map(str::trim).collect();
    let [truth, shown] = cells[..] else {
        return Err(wrong(text, "what is true and what is shown are needed", form));
    };
    let value = |cell: &str| {
        let unit = if measured == Measured::Conductivity { "mS/cm" } else { "degC" };
        let quantity = Quantity::new(quantity::of(cell, kind).map_err(|why| wrong(text, &why, form))?, kind);
        Ok(quantity.in_unit(unit).unwrap_or(quantity.value))
    };
    let of_seawater = truth.strip_prefix("salinity ").and_then(|rest| rest.split_once(" at "));
    let truth = match (measured, of_seawater) {
        (Measured::Conductivity, Some((salinity, temperature))) => {
            let s = quantity::salinity(salinity).map_err(|why| wrong(text, &why, form))?;
            let t = quantity::temperature(temperature).map_err(|why| wrong(text, &why, form))?;
            seawater_standard_ms_cm(s, t, 0.0)
        }
        _ => value(truth)?,
    };
    Ok(LinearPoint { shown: value(shown)?, truth, half_width: 0.0 })
}

const CATCH_FORM: &str = "600 s, 30.2 mL";

/// A catch, `TIME, VOLUME`.
pub fn catch(text: &str) -> Result<Catch, Failure> {
    let (time, volume) =
        text.split_once(',').ok_or_else(|| wrong(text, "time and volume are needed", CATCH_FORM))?;
    Ok(Catch {
        seconds: quantity::of(time, Kind::Time).map_err(|why| wrong(text, &why, CATCH_FORM))?,
        millilitres: quantity::of(volume, Kind::Volume).map_err(|why| wrong(text, &why, CATCH_FORM))? * 1e6,
    })
}

fn of_pump(options: &CalibrateOptions, nominal: f64) -> Result<Answer, Failure> {
    let catches = options.catches.iter().map(|text| catch(text)).collect::<Result<Vec<_>, Failure>>()?;
    let made = pump::calibrate(&catches, options.step, Some(nominal), None)
        .map_err(|error| Failure::new(error.to_string()))?;
    let flow = made.flow_ml_min;
    let lines = [
        ("flow", format!("{:.3} mL/min ± {:.3} (95 %)", flow.value, flow.half95)),
        ("by the file", format!("{nominal:.3} mL/min")),
        ("scatter of a catch", format!("{:.1} %", made.scatter_percent)),
        ("to the board", "`tidewright revisions --pump`: it goes on trial as a revision".to_owned()),
    ];
    let fields = json!({
        "flow_ml_min": number(flow.value),
        "half95_ml_min": number(flow.half95),
        "file_ml_min": number(nominal),
        "scatter_percent": number(made.scatter_percent),
        "is_accepted": made.is_accepted,
        "board": { "parameter_ul_min": made.parameter_ul_min },
    });
    Ok(answer(options, &lines, fields, made.findings))
}
