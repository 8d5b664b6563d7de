//! All findings of this crate by id: what each says, on what it rests, the cure. docs/care-findings.md is written from this list.

use system::catalogue::{Entry, entry};

/// The page docs/care-findings.md.
pub fn page() -> String {
    system::catalogue::page(
        "Findings of care",
        "Written from `crates/care/src/catalogue.rs`; a test holds both together. Ids are stable: scripts may name them.\n\
         [care.md](care.md) says how calibration, water tests, proof tests and tasks work.",
        FINDINGS,
    )
}

/// All kinds, sorted by id.
pub const FINDINGS: &[Entry] = &[
    entry(
        "caution-lime",
        "Limewater is caustic.",
        "pH 12.4 saturated at 25 °C (seawater crate, limewater).",
        "Goggles, gloves, a label.",
    ),
    entry(
        "caution-salt",
        "What a person must know before touching a salt.",
        "Common cautions of safety data sheets (from memory).",
        "As it says.",
    ),
    entry(
        "consumption-changed",
        "The use in a day changed within the log.",
        "Slopes of both halves differ by more than their 95 % intervals.",
        "Reckon with the later tests.",
    ),
    entry(
        "consumption-negative",
        "A value rises by itself.",
        "Slope after doses were taken off, 95 % interval.",
        "Something doses that the log does not know, or a kit is off.",
    ),
    entry(
        "consumption-uncertain",
        "Use in a day is not known better than that it might be none.",
        "The 95 % interval of the slope holds 0.",
        "More tests, the same hour, an unchanged dose.",
    ),
    entry(
        "dose-above-target",
        "There is more than wanted already.",
        "Comparison.",
        "Leave off dosing, or change water.",
    ),
    entry(
        "dose-fast",
        "The limit a day is above the usual.",
        "1 dKH, 20 mg/L Ca, 50 mg/L Mg a day (common practice, no source).",
        "The usual limit.",
    ),
    entry(
        "dose-precipitates",
        "A day's dose at once would make carbonate fall out.",
        "Aragonite saturation above 20 (seawater crate).",
        "Portions; more days.",
    ),
    entry(
        "dose-target-unusual",
        "A target lies outside what reef tanks are kept at.",
        "Common practice, no source.",
        "The usual band.",
    ),
    entry(
        "lime-not-enough",
        "Limewater within what evaporates does not cover the use.",
        "Evaporation times strength against use.",
        "Dose the rest with salts.",
    ),
    entry(
        "lime-portion-large",
        "A portion of limewater takes pH too high.",
        "Carbonate system after mixing, before air acts; 8.6 NBS.",
        "Smaller portions, at night.",
    ),
    entry(
        "lime-precipitates",
        "A portion of limewater makes carbonate fall out.",
        "Aragonite saturation above 20.",
        "Smaller portions.",
    ),
    entry(
        "lime-too-much",
        "Limewater as the whole top-off raises alkalinity.",
        "Upper end of evaporation times strength less use.",
        "A limit a day, or a mixture.",
    ),
    entry(
        "ph-buffers-apart",
        "The buffers had different temperatures.",
        "More than 3 K apart (assumed): one of them, or the electrode, had not come to rest.",
        "Let the closed bottles float in the tank for half an hour.",
    ),
    entry(
        "ph-buffers-below-tank",
        "No buffer lies above pH 8, where a reef tank is.",
        "Prolonging a line beyond its points magnifies the error of the buffers.",
        "Take 7.00 and 10.01, or 6.86 and 9.18.",
    ),
    entry(
        "ph-offset-large",
        "The voltage at pH 7 is beyond what a sound electrode has.",
        "60 mV, one pH (the limit that the board's calibration takes).",
        "Fresh 7.00; clean or replace the electrode; look at the amplifier's midpoint.",
    ),
    entry(
        "ph-offset-worn",
        "The voltage at pH 7 is beyond what is customary.",
        "30 mV (USP <791>, by a summary).",
        "The calibration makes up for it; the electrode's reference ages.",
    ),
    entry(
        "ph-refused",
        "The board's own calculation refuses the readings.",
        "The limits of `program::calibration`.",
        "As the sentence says.",
    ),
    entry(
        "ph-reversed",
        "The voltage rises with pH.",
        "Nernst: it falls by 59.16 mV a pH at 25 °C.",
        "Buffers swapped, or the sign of the amplifier's gain.",
    ),
    entry(
        "ph-slope-ageing",
        "The slope is below that of a fresh electrode.",
        "95 % (common laboratory practice, from memory).",
        "None yet.",
    ),
    entry(
        "ph-slope-high",
        "The slope is above what theory gives.",
        "105 % (USP <791>).",
        "A buffer is not what its label says, or the amplifier's gain is entered wrong.",
    ),
    entry(
        "ph-slope-low",
        "The slope is too low to be used.",
        "85 % (makers of field meters).",
        "Clean, fresh buffers, again; else replace the electrode.",
    ),
    entry(
        "ph-slope-worn",
        "The slope is lower than is customary.",
        "90 % (USP <791>).",
        "Order the next electrode.",
    ),
    entry(
        "ph-slopes-apart",
        "The slopes below and above pH 7 differ.",
        "More than 4 points (assumed).",
        "Fresh buffers, the alkaline one first.",
    ),
    entry(
        "probe-does-not-hold",
        "A probe goes off sooner after each calibration than can be borne.",
        "Rate and scatter of the errors that at least three calibrations found; Student's t.",
        "Replace it, or take it for a trend only.",
    ),
    entry(
        "probe-far-off",
        "A thermometer is off by more than any sound one.",
        "5 K (assumed).",
        "Make sure of the reference; replace the probe.",
    ),
    entry(
        "probe-found-off",
        "A calibration found the one before gone off.",
        "More than the tolerance within the time that a calibration should last.",
        "Calibrate again in a week.",
    ),
    entry(
        "probe-gain-far-off",
        "Readings must be stretched by more than any sound probe needs.",
        "10 % of a thermometer, 40 % of a conductivity cell (assumed).",
        "Reference, unit, span in the system file; clean the probe.",
    ),
    entry(
        "probe-gain-off",
        "Readings must be stretched more than is usual.",
        "2 % of a thermometer, 10 % of a conductivity cell (assumed).",
        "Clean the probe; look at the span in the system file.",
    ),
    entry(
        "probe-off",
        "A thermometer is off by more than its tolerance with that of its reference.",
        "1 K: twice the ±0.5 K of the DS18B20 data sheet.",
        "Make sure of the reference.",
    ),
    entry(
        "probe-soon-out",
        "An electrode will soon be beyond what can be calibrated.",
        "Lines through slope and offset against time, with 95 % bands; told six weeks ahead.",
        "Order the next one.",
    ),
    entry(
        "proof-test-not-enough",
        "No test that anybody keeps makes a protection safe enough alone.",
        "The interval by failure rate, demand rate and what is tolerated is below a week.",
        "A second protection of another kind.",
    ),
    entry(
        "pump-far-from-file",
        "A pump gives much more or less than the system file says.",
        "50 % (assumed).",
        "Look at units; correct the file.",
    ),
    entry(
        "pump-one-catch",
        "A pump was calibrated by a single catch.",
        "Scatter needs two.",
        "Catch twice more.",
    ),
    entry(
        "pump-scatters",
        "A pump does not repeat.",
        "Standard deviation above 3 % of the mean (assumed).",
        "Prime; keep the tube's end at one height; catch for longer.",
    ),
    entry(
        "pump-worn",
        "A pump gives less than when its tube was new.",
        "A tenth less than the first calibration (assumed).",
        "A new tube or head, then calibrate.",
    ),
    entry(
        "stock-too-strong",
        "A stock solution is stronger than the salt dissolves.",
        "Solubility at 20 °C (general tables, from memory).",
        "A weaker one.",
    ),
    entry(
        "test-disagrees",
        "A test differs from what doses and use should have made of the tank.",
        "Both intervals together, 95 %.",
        "Test again; pump, stock, volume.",
    ),
    entry(
        "test-off-its-line",
        "A test does not fit the others.",
        "Externally studentised residual, Bonferroni, 95 %; and more than two standard deviations of a home test.",
        "Test again.",
    ),
    entry(
        "use-unbalanced",
        "Calcium and alkalinity are not used up together.",
        "Aragonite: 7.15 mg/L of calcium for each dKH; difference beyond its interval and 15 %.",
        "As it says.",
    ),
];
