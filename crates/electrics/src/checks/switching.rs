//! Contacts and what they switch: ratings by kind of load, spikes, minimum load and leakage of solid-state relays, coils, what a failed
//! switch does.

use system::Diagnostic;
use system::model::{ActuatorKind, SupplyIdx};
use system::parts::{Component, ComponentKind, Nature};

use super::facts::is_heater;
use super::{Check, amps, on_mains};
use crate::loads::{self, Class, Load};

/// A load that lets through more than this much of its current while off is not off (common practice, no source): a tenth.
const LEAK_SHARE: f64 = 0.1;

pub(super) fn check(check: &mut Check<'_>) {
    let all = check.loads.clone();
    for load in &all {
        let Some(switch) = load.switch else { continue };
        rating(check, load, switch);
        suppressor(check, load, switch);
        if switch.kind == ComponentKind::SolidStateRelay {
            solid_state(check, load, switch);
        }
        polarity(check, load);
    }
    contactors(check);
    coils(check);
    danger(check, &all);
    heaters_together(check);
}

/// What a contact bears for a kind of load.
fn rated(switch: &Component, nature: Nature) -> Option<f64> {
    let key = match nature {
        Nature::Resistive | Nature::Electronic => "rated_resistive",
        Nature::Capacitive => "rated_capacitive",
        Nature::Inductive | Nature::Synchronous | Nature::DirectMotor | Nature::Coil => "rated_inductive",
    };
    switch.value(key).or_else(|| switch.value("rated_resistive"))
}

fn word(nature: Nature) -> &'static str {
    match nature {
        Nature::Resistive => "a resistive load",
        Nature::Inductive | Nature::Synchronous => "a motor on the mains",
        Nature::Capacitive => "a supply with a capacitor at its input",
        Nature::DirectMotor => "a motor on direct current",
        Nature::Coil => "a coil",
        Nature::Electronic => "electronics",
    }
}

fn rating(check: &mut Check<'_>, load: &Load<'_>, switch: &Component) {
    let name = check.name(load.actuator);
    if let (Some(volts), Some(rated)) = (load.volts, switch.value("rated_voltage"))
        && volts > rated
    {
        check.about(
            Diagnostic::error(
                "contact-voltage",
                format!("`{name}` has {volts:.0} V on a contact for {rated:.0} V ({})", switch.title),
            )
            .help("a contact that is rated for the voltage; on direct current few are beyond 30 V"),
            name,
            "switch",
        );
    }
    if let Some(rated) = rated(switch, load.nature)
        && load.amps > rated
    {
        check.about(
            Diagnostic::error(
                "contact-overloaded",
                format!("`{name}` draws {} through a contact for {}", amps(load.amps), amps(rated)),
            )
            .note(format!("{}: rated {} for {}", switch.title, amps(rated), word(load.nature)))
            .help("a contact with a larger rating for this kind of load, or a contactor behind the relay"),
            name,
            "switch",
        );
    }
    // A contact that closes once a day on a charged capacitor welds all the same.
    if let Some(rated) = switch.value("rated_inrush")
        && load.inrush.0 > rated
    {
        check.about(
            Diagnostic::warning(
                "contact-overloaded-by-inrush",
                format!(
                    "`{name}` pulls {} for {:.1} ms when switched on, its contact bears {}",
                    amps(load.inrush.0),
                    load.inrush.1 * 1e3,
                    amps(rated)
                ),
            )
            .note(format!(
                "{}; inrush of {}: {}",
                switch.title,
                load.component.map_or("the load", |component| component.title.as_str()),
                load.component
                    .and_then(|c| c.figure("inrush_current").or(c.figure("inrush")))
                    .map_or("assumed", |figure| figure.source.as_str())
            ))
            .help("a relay for lamp loads (tungsten lead contact), a limiter of the inrush, or a solid-state relay that switches at zero"),
            name,
            "switch",
        );
    }
}

fn suppressor(check: &mut Check<'_>, load: &Load<'_>, switch: &Component) {
    let fitting = check.system.electrics.actuator(load.actuator);
    let inductive =
        matches!(load.nature, Nature::Inductive | Nature::Synchronous | Nature::DirectMotor | Nature::Coil);
    let has_diode = load.card.and_then(|card| loads::card(check.system, card)).is_some_and(|card| {
        // A transistor card brings its diodes along; a relay card's diodes are across its own coils, not across what it switches.
        card.flyback && card.carries.is_some()
    });
    if !inductive || switch.suppressed || fitting.suppressor.is_some() || has_diode {
        return;
    }
    let name = check.name(load.actuator);
    let cure = match load.class {
        Class::Mains => {
            "a snubber (100 nF X2 and 100 ohm) across the contact or a varistor across the load: `suppressor = \"snubber\"`"
        }
        Class::Low => "a diode across the load, cathode to plus: `suppressor = \"diode\"`",
    };
    check.about(
        Diagnostic::warning(
            "contact-without-suppressor",
            format!("`{name}` is {} on a contact with nothing against its spikes", word(load.nature)),
        )
        .note("the arc at opening pits the contact until it welds, and its spike resets the board (common practice, no source)")
        .help(cure),
        name,
        "suppressor",
    );
}

fn solid_state(check: &mut Check<'_>, load: &Load<'_>, switch: &Component) {
    let name = check.name(load.actuator);
    if load.amps <= 0.0 {
        return;
    }
    if let Some(least) = switch.value("minimum_load")
        && load.amps < least
    {
        check.about(
            Diagnostic::error(
                "ssr-below-minimum-load",
                format!(
                    "`{name}` draws {}, its solid-state relay needs {} to stay on",
                    amps(load.amps),
                    amps(least)
                ),
            )
            .note(switch.title.clone())
            .help("a mechanical relay for small loads"),
            name,
            "switch",
        );
    }
    if let Some(leak) = switch.value("leakage")
        && leak > LEAK_SHARE * load.amps
    {
        check.about(
            Diagnostic::warning(
                "ssr-leaks-through-load",
                format!(
                    "{} leak through the open solid-state relay of `{name}`, which draws {} when on",
                    amps(leak),
                    amps(load.amps)
                ),
            )
            .note("a small lamp glows or blinks, a small pump hums; its terminals are live while off")
            .help("a mechanical relay, or a load in parallel that takes the leakage"),
            name,
            "switch",
        );
    }
    if let (Some(volts), Some(without)) = (switch.value("on_voltage"), switch.value("without_sink"))
        && load.amps > without
    {
        check.about(
            Diagnostic::warning(
                "ssr-too-hot",
                format!(
                    "the solid-state relay of `{name}` makes {:.1} W at {}; without a heat sink it bears {}",
                    volts * load.amps,
                    amps(load.amps),
                    amps(without)
                ),
            )
            .note("P = V_on I")
            .help("a heat sink outside of the enclosure's still air, or a mechanical relay"),
            name,
            "switch",
        );
    }
}

/// What the file fixes must be the way round that the card wants it.
fn polarity(check: &mut Check<'_>, load: &Load<'_>) {
    let Some(place) = check.system.wiring.actuator(load.actuator) else { return };
    let Some(card) = load.card.and_then(|card| loads::card(check.system, card)) else { return };
    if place.active_low == card.active_low {
        return;
    }
    let name = check.name(load.actuator);
    let (is, wants) = if card.active_low { ("high", "a low") } else { ("low", "a high") };
    let at = check.system.places.find(&format!("wiring.{name}"));
    check.add(
        Diagnostic::error(
            "polarity-mismatch",
            format!("`{name}` is commanded by a {is} level, but its card is energised by {wants} one"),
        )
        .at(at, "")
        .subject(name)
        .note(card.title.clone())
        .help(format!(
            "write `active_low = {}` in its [wiring], or name the card's part in [fitting]",
            card.active_low
        )),
    );
}

/// A contactor carries all that is behind it.
fn contactors(check: &mut Check<'_>) {
    for (s, supply) in check.system.supplies.iter().enumerate() {
        let Some(through) = supply.through else { continue };
        let switch = check.system.electrics.supply(SupplyIdx(s)).switch.as_deref();
        let library = &check.system.library;
        let contactor = switch
            .and_then(|id| library.component(id))
            .or_else(|| library.usual_component(ComponentKind::Relay, "contactor"));
        let Some(contactor) = contactor else { continue };
        let behind: Vec<&Load<'_>> = (check.loads.iter())
            .filter(|load| {
                let from = check.system.actuators[load.actuator.idx()].supply;
                check.system.supply_chain(from).any(|s2| s2 == SupplyIdx(s))
            })
            .collect();
        let sum: f64 = behind.iter().map(|load| load.amps).sum();
        let worst =
            behind.iter().filter_map(|load| rated(contactor, load.nature)).fold(f64::INFINITY, f64::min);
        if sum > worst {
            let name = check.name(through);
            check.about(
                Diagnostic::error(
                    "contact-overloaded",
                    format!(
                        "`{name}` carries {} to `{}` through contacts for {}",
                        amps(sum),
                        supply.name,
                        amps(worst)
                    ),
                )
                .note(contactor.title.clone())
                .help("a larger contactor, or one for each circuit"),
                name,
                "switch",
            );
        }
    }
}

/// Relay coils on a card without diodes.
fn coils(check: &mut Check<'_>) {
    for s in 0..check.system.supplies.len() {
        let supply = SupplyIdx(s);
        let Some(card) = loads::card(check.system, supply) else { continue };
        let has_coils = card.value("coil_current").is_some_and(|current| current > 0.0);
        if !has_coils || card.flyback || check.system.electrics.supply(supply).suppressor.is_some() {
            continue;
        }
        let name = &check.system.supplies[s].name;
        check.about(
            Diagnostic::error(
                "coil-without-diode",
                format!("the coils on `{name}` have no diode across them"),
            )
            .note(format!(
                "{}: a coil of 30 mA gives hundreds of volts when its transistor opens",
                card.title
            ))
            .help("a diode across each coil, cathode to plus, or a card that has them"),
            name,
            "part",
        );
    }
}

/// A failed switch, or a dead board, that leaves the load in its dangerous state.
fn danger(check: &mut Check<'_>, all: &[Load<'_>]) {
    for load in all {
        let actuator = &check.system.actuators[load.actuator.idx()];
        let name = check.name(load.actuator);
        let cut = check
            .system
            .supply_chain(actuator.supply)
            .any(|s| check.system.supplies[s.idx()].through.is_some());
        let shorts = load.switch.is_some_and(|switch| {
            matches!(switch.kind, ComponentKind::SolidStateRelay | ComponentKind::Transistor)
        });
        let heats = is_heater(check, load.actuator);
        let adds = matches!(actuator.kind, ActuatorKind::DosingPump | ActuatorKind::Valve);
        let message = if shorts && heats && !cut && actuator.own_thermostat_c.is_none() {
            Some(format!(
                "`{name}` hangs on a solid-state switch, which fails closed, and nothing stands behind it"
            ))
        } else if shorts && adds && actuator.series.is_empty() && !cut {
            Some(format!(
                "`{name}` hangs on a solid-state switch, which fails closed, and no float in series stops it"
            ))
        } else if actuator.on_when_dead && adds {
            Some(format!("`{name}` adds water while its coil is dead"))
        } else if actuator.on_when_dead && heats && !cut && actuator.own_thermostat_c.is_none() {
            Some(format!("`{name}` heats while its coil is dead, and nothing else cuts it"))
        } else {
            None
        };
        if let Some(message) = message {
            check.about(
                Diagnostic::error("fails-to-danger", message)
                    .note("semiconductor switches fail short far more often than open (common practice, no source)")
                    .help("the resting side that is safe, and a second cut: own thermostat, contactor (`through`), float in series"),
                name,
                "switch",
            );
        }
    }
}

/// Two heaters behind the one contact, and nothing of their own.
fn heaters_together(check: &mut Check<'_>) {
    for a in 0..check.system.actuators.len() {
        let contact = system::model::ActuatorIdx(a);
        let behind: Vec<&str> = (check.loads.iter())
            .filter(|load| {
                let actuator = &check.system.actuators[load.actuator.idx()];
                is_heater(check, load.actuator)
                    && actuator.always
                    && check
                        .system
                        .supply_chain(actuator.supply)
                        .any(|s| check.system.supplies[s.idx()].through == Some(contact))
            })
            .map(|load| check.name(load.actuator))
            .collect();
        if behind.len() < 2 {
            continue;
        }
        let name = check.name(contact);
        let list = behind.iter().map(|name| format!("`{name}`")).collect::<Vec<_>>().join(" and ");
        check.about(
            Diagnostic::error("heaters-on-one-relay", format!("{list} hang on the one contact of `{name}`"))
                .note("welded it cooks the tank with both, open it leaves it with none")
                .help("a relay for each; the common contactor only as a second cut"),
            name,
            "switch",
        );
    }
    // All heat on one card: its supply dead, all heaters fall to their resting side together.
    let heaters: Vec<&Load<'_>> =
        check.loads.iter().filter(|load| is_heater(check, load.actuator) && on_mains(load)).collect();
    let cards: Vec<Option<SupplyIdx>> = heaters.iter().map(|load| load.card).collect();
    if heaters.len() > 1
        && cards.iter().all(|card| *card == cards[0])
        && heaters.iter().all(|load| !check.system.actuators[load.actuator.idx()].on_when_dead)
        && let Some(card) = cards[0]
    {
        let name = &check.system.supplies[card.idx()].name;
        check.about(
            Diagnostic::warning(
                "heaters-on-one-card",
                format!("all heaters hang on `{name}`: dead, it leaves no heat"),
            )
            .help(
                "one of them on another card, or on the closed side of its contact with its own thermostat",
            ),
            name,
            "part",
        );
    }
}
