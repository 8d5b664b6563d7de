//! Batteries: what their kind bears.

use system::Diagnostic;
use system::model::{SupplyIdx, SupplyKind};

use super::Check;

pub(super) fn check(check: &mut Check<'_>) {
    for s in 0..check.system.supplies.len() {
        let supply = &check.system.supplies[s];
        let SupplyKind::Battery { rated_j, usable_j, .. } = supply.kind else { continue };
        let block = check.system.electrics.supply(SupplyIdx(s)).block.as_deref();
        let Some(block) = block.and_then(|id| check.system.library.component(id)) else { continue };
        let (share, Some(figure)) = (usable_j / rated_j, block.figure("usable")) else { continue };
        // A share as a round percentage may be half a percent above the figure.
        if share <= figure.value + 0.005 {
            continue;
        }
        let help = format!("`usable = \"{:.0} %\"`, or a larger battery", 100.0 * figure.value);
        check.add(
            Diagnostic::warning(
                "battery-used-too-deep",
                format!(
                    "`{}` is reckoned with {:.0} % of its charge; its kind bears {:.0} % each time",
                    supply.name,
                    100.0 * share,
                    100.0 * figure.value
                ),
            )
            .at(check.system.places.find(&format!("supply.{}.usable", supply.name)), "")
            .subject(&supply.name)
            .note(format!("{}: {}", block.title, figure.source))
            .help(help),
        );
    }
}
