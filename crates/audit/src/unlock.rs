//! What one more measurement would reveal.

use crate::context::Context;
use system::Diagnostic;
use system::model::{ActuatorKind, PassageKind};

pub(crate) fn check(context: &mut Context<'_>) {
    let system = context.system;
    let mut say = |id: &'static str, missing: &str, would: &str, how: &str| {
        context.add(
            Diagnostic::note_level(id, format!("without {missing} the audit cannot say {would}"))
                .help(how)
                .subject("audit"),
        );
    };
    if system.vessels.is_empty() {
        say(
            "geometry-would-show",
            "[[vessel]] and [[passage]]",
            "whether the sump holds what comes down at a power cut, and where floats and marks stand against the water",
            "measure length, depth, height and water level of each vessel, and the heights of weir, baffles and outlets",
        );
        return;
    }
    if !system.passages.iter().any(|p| matches!(p.kind, PassageKind::Pumped { .. })) {
        let sump = system.vessels.len() > 1 && system.actuators.iter().any(|a| a.kind == ActuatorKind::Pump);
        if sump {
            say(
                "return-would-show",
                "the pumped [[passage]]",
                "the flow at its real head, running levels and drain-down",
                "head and flow from the pump's sheet, bore and length of the pipe, height of its outlet",
            );
        }
    }
    if system.climates.is_empty() {
        say(
            "room-would-show",
            "[[climate]]",
            "heater need, summer temperature, evaporation and how long the reservoir lasts",
            "a day's highest and lowest room temperature and the humidity, in winter and in summer",
        );
    }
    if system.livestock.is_none() {
        say(
            "livestock-would-show",
            "[livestock]",
            "how many hours of oxygen there are without circulation",
            "mass of the fish and area of the corals, roughly",
        );
    }
    if system.supplies.is_empty() {
        say(
            "supplies-would-show",
            "[[supply]]",
            "what one tripped RCD, one dead card or an outage takes with it",
            "which circuit, card and battery feeds each part",
        );
    }
    let unpowered: Vec<&str> = system
        .actuators
        .iter()
        .filter(|a| a.kind == ActuatorKind::Heater && (a.watts <= 0.0 || a.heats.is_none()))
        .map(|a| a.name.as_str())
        .collect();
    if !unpowered.is_empty() {
        say(
            "heater-would-show",
            &format!("power and vessel of {}", unpowered.join(", ")),
            "whether it is enough in winter and what it does stuck on",
            "power = \"200 W\" and heats = { vessel = \"...\" }",
        );
    }
}
