//! What a result rests on, and what the model leaves out: a report that hides them would claim too much.

use system::System;
use trial::Fmea;

use crate::fmea::corner;
use crate::words::span;

/// Assumptions of the file and of the study.
pub fn assumptions(system: &System, fmea: &Fmea) -> Vec<String> {
    let mut list = system.assumptions.clone();
    let mut instants: Vec<&str> = fmea.places.iter().map(|p| p.instant.name()).collect();
    instants.sort_unstable();
    instants.dedup();
    list.push(format!(
        "each fault strikes a settled system at {} and runs for {}",
        instants.join(", "),
        span(fmea.window_s)
    ));
    let mut corners: Vec<Option<usize>> = fmea.places.iter().map(|p| p.corner).collect();
    corners.sort_unstable();
    corners.dedup();
    let names: Vec<&str> = corners.iter().map(|c| corner(system, *c)).collect();
    list.push(format!("parameters: {}", names.join(", ")));
    list.push(format!("a person needs {} from an alarm to the tank", span(fmea.response_s)));
    list.push("one fault at a time; the second fault of a hidden one is the business of --pairs".to_owned());
    list
}

/// What the simulation does not know.
pub fn not_modelled() -> Vec<String> {
    [
        "each vessel is mixed at once: no layers, no dead corners, no flow pattern inside a tank",
        "chemistry beyond salt, heat, oxygen, alkalinity and carbon dioxide: no ammonia, nutrients, medicines or toxins",
        "precipitation: above an aragonite saturation of about 20 pH and alkalinity are outside the model",
        "behaviour and stress of animals; requirements stand for them",
        "electric shock and fire: the usual cautions are in the findings, and a licensed electrician and local code decide",
        "wear beyond the failure modes of the parts library, and more than two faults at once",
    ]
    .map(str::to_owned)
    .to_vec()
}
