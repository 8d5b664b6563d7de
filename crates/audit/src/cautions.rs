//! The usual cautions: mains beside salt water, limewater, and what a calculation is.

use crate::context::Context;
use system::Diagnostic;
use system::model::{Contents, SupplyKind};

pub(crate) fn check(context: &mut Context<'_>) {
    let system = context.system;
    if system.mains_volts.is_some()
        || system.supplies.iter().any(|s| matches!(s.kind, SupplyKind::Circuit { .. }))
    {
        context.add(
            Diagnostic::note_level("caution-mains", "mains beside salt water")
                .note("RCD (GFCI) of 30 mA on every circuit, fused and enclosed mains parts, drip loops in every cord, contacts rated for their load")
                .note("switch off at the plug before a hand goes into the water")
                .help("have fixed wiring done by a licensed electrician, to the local code")
                .subject("mains"),
        );
    }
    if system.vessels.iter().any(|v| matches!(v.holds, Contents::Limewater(_))) {
        context.add(
            Diagnostic::note_level("caution-limewater", "limewater is caustic (pH above 12)")
                .note("goggles and gloves; no breathing of the powder; rinse at once; keep it shut and out of reach")
                .help("label the vessel")
                .subject("limewater"),
        );
    }
    if context.has_water() {
        context.add(
            Diagnostic::note_level("caution-model", "these are calculations, not measurements")
                .note("evaporation is good to 40 %, weirs at low head to 10-30 %, wall loss and gas exchange to 30 %")
                .note("not counted: precipitation of lime, foam, growth in pipes, draughts, sun on the glass")
                .help("measure what a decision hangs on: pull the plug once and watch the sump, weigh a day's top-off")
                .subject("model"),
        );
    }
}
