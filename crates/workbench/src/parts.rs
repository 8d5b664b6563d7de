//! The parts library as a list: what there is, how it fails, and where each figure is from.

use serde::Serialize;
use system::parts::{Library, PartOf};

/// A class of part.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct PartView {
    /// Name by which a file calls it.
    pub id: String,
    /// `actuator`, `sensor`, `supply`, `board`, `vessel`, `passage` or `place`.
    pub kind: &'static str,
    /// For people.
    pub name: String,
    /// How it fails.
    pub modes: Vec<ModeView>,
    /// What it is worth when a file says nothing.
    pub figures: Vec<FigureView>,
}

/// A way to fail.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct ModeView {
    /// Its name, as in the rows of an FMEA.
    pub id: String,
    /// In a sentence.
    pub text: String,
    /// Failures a year.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rate_per_year: Option<f64>,
    /// Where that is from.
    pub source: String,
}

/// A figure.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct FigureView {
    /// What.
    pub key: String,
    /// In its base unit.
    pub value: f64,
    /// With its unit.
    pub text: String,
    /// Where it is from.
    pub source: String,
}

/// All of a library.
pub fn parts(library: &Library) -> Vec<PartView> {
    (library.parts().iter())
        .map(|part| PartView {
            id: part.id.clone(),
            kind: match part.of {
                PartOf::Actuator(_) => "actuator",
                PartOf::Sensor(_) => "sensor",
                PartOf::Supply(_) => "supply",
                PartOf::Board => "board",
                PartOf::Vessel(_) => "vessel",
                PartOf::Passage(_) => "passage",
                PartOf::Place => "place",
            },
            name: part.title.clone(),
            modes: (part.modes.iter())
                .map(|mode| ModeView {
                    id: mode.id.clone(),
                    text: mode.description.clone(),
                    rate_per_year: mode.rate_per_year,
                    source: mode.source.clone(),
                })
                .collect(),
            figures: (part.figures.iter())
                .map(|figure| FigureView {
                    key: figure.key.clone(),
                    value: figure.value,
                    text: figure.text.clone(),
                    source: figure.source.clone(),
                })
                .collect(),
        })
        .collect()
}
