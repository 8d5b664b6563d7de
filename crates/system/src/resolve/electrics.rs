//! `[electrics]` and `[fitting]`: cables, cards, connectors, the enclosure, prices.

use units::Kind;

use super::context::{Context, Thing};
use crate::diagnostic::Diagnostic;
use crate::electrics::{BusCable, Compartment, Electrics, Enclosure, Fitting, Topology, Wave};
use crate::parts::ComponentKind;
use crate::raw::{Bound, Field, Table};
use crate::suggest;

/// Reads both sections.
pub(super) fn electrics<'a>(context: &Context<'a>, root: &Table<'a>) -> Electrics {
    let mut electrics = Electrics {
        sensors: vec![Fitting::NONE; context.sensors.len()],
        actuators: vec![Fitting::NONE; context.actuators.len()],
        supplies: vec![Fitting::NONE; context.supplies.len()],
        boards: vec![Fitting::NONE; context.boards.len()],
        devices: vec![Fitting::NONE; context.devices.len()],
        ..Electrics::default()
    };
    for (slot, entry) in electrics.supplies.iter_mut().zip(&context.supplies) {
        // What is wrong with it has been told where the supply is read.
        let block = entry.table.get("block").and_then(|field| field.value.get_ref().as_str());
        slot.block = block.filter(|id| context.library.component(id).is_some()).map(str::to_owned);
    }
    if let Some(table) = root.get("electrics").and_then(|field| field.table()) {
        electrics.is_begun = true;
        general(context, &table, &mut electrics);
        table.finish();
    }
    if let Some(table) = root.get("fitting").and_then(|field| field.table()) {
        electrics.is_begun = true;
        for (name, span, field) in table.entries() {
            let place = context.find(name);
            let slot = match place {
                Some((Thing::Sensor, at)) => electrics.sensors.get_mut(at),
                Some((Thing::Actuator, at)) => electrics.actuators.get_mut(at),
                Some((Thing::Supply, at)) => electrics.supplies.get_mut(at),
                Some((Thing::Board, at)) => electrics.boards.get_mut(at),
                Some((Thing::Device, at)) => electrics.devices.get_mut(at),
                _ => None,
            };
            let (Some(slot), Some((thing, _))) = (slot, place) else {
                const FITTED: &[Thing] =
                    &[Thing::Sensor, Thing::Actuator, Thing::Supply, Thing::Board, Thing::Device];
                let names = context.names_of(FITTED);
                let (id, message) = match place {
                    Some((thing, _)) => (
                        "wrong-kind-of-name",
                        format!("`{name}` is {}, which is fitted to nothing", thing.with_article()),
                    ),
                    None => ("unknown-name", format!("nothing of this file is named `{name}`")),
                };
                context.sink.report(Diagnostic::error(id, message).at(Some(span), "").help(suggest::help(
                    name,
                    names,
                    "things that are fitted",
                )));
                continue;
            };
            let Some(mut inner) = field.table() else { continue };
            inner.label = format!("the fitting of `{name}`");
            inner.subject = Some(name.to_owned());
            {
                let mut places = context.places.borrow_mut();
                places.note(format!("fitting.{name}"), span.clone());
                for (key, _, field) in inner.entries() {
                    places.note(format!("fitting.{name}.{key}"), field.span());
                }
            }
            *slot = Fitting { block: slot.block.take(), ..fitting(context, &inner, thing) };
            inner.finish();
        }
    }
    electrics
}

fn general<'a>(context: &Context<'a>, table: &Table<'a>, electrics: &mut Electrics) {
    if let Some(inner) = table.get("i2c").and_then(|field| field.table()) {
        electrics.i2c = cable(&inner);
        electrics.i2c.clock_hz = inner.quantity("clock", Kind::Frequency, Bound::Within(1e3, 1e6));
        electrics.i2c.capacitance_f = inner.quantity("capacitance", Kind::Capacitance, Bound::Positive);
        inner.finish();
    }
    if let Some(inner) = table.get("one_wire").and_then(|field| field.table()) {
        electrics.one_wire = cable(&inner);
        electrics.one_wire_topology = inner
            .get("topology")
            .and_then(|field| field.word(&[("chain", Topology::Chain), ("star", Topology::Star)]))
            .unwrap_or_default();
        inner.finish();
    }
    electrics.enclosure =
        table.get("enclosure").and_then(|field| field.table()).map(|inner| enclosure(&inner));
    electrics.ground_probe = table.boolean("ground_probe");
    electrics.currency = table.text("currency").map(str::to_owned);
    electrics.spares = table.get("spares").and_then(|field| field.whole(0, 64));
    for field in table.get("stacked").map(|field| field.one_or_list()).unwrap_or_default() {
        electrics.stacked.extend(component(context, &field, &[ComponentKind::Stack]));
    }
}

fn cable(table: &Table<'_>) -> BusCable {
    BusCable {
        length_m: table.quantity("length", Kind::Length, Bound::Within(0.0, 200.0)),
        pull_up_ohm: table.quantity("pull_up", Kind::Resistance, Bound::Within(100.0, 1e6)),
        clock_hz: None,
        capacitance_f: None,
    }
}

fn enclosure(table: &Table<'_>) -> Enclosure {
    let inside = table
        .need("inside", "[\"400 mm\", \"300 mm\", \"120 mm\"]")
        .and_then(|field| field.three_lengths())
        .unwrap_or([f64::NAN; 3]);
    let door = table.get("door").and_then(|field| field.table()).map(|inner| {
        let free = inner.need_quantity("free", Kind::Length, Bound::NotNegative, "\"350 mm\"");
        let width = inner.need_quantity("width", Kind::Length, Bound::Positive, "\"400 mm\"");
        inner.finish();
        (free, width)
    });
    let read = Enclosure {
        inside,
        divided: table.boolean("divided").unwrap_or(false),
        vented: table.boolean("vented").unwrap_or(false),
        metal: table.boolean("metal").unwrap_or(false),
        plug_clearance_m: table.quantity("plug_clearance", Kind::Length, Bound::NotNegative),
        door,
        ambient_c: table.quantity("ambient", Kind::Temperature, Bound::Within(-20.0, 60.0)),
    };
    table.finish();
    read
}

fn fitting<'a>(context: &Context<'a>, table: &Table<'a>, thing: Thing) -> Fitting {
    use ComponentKind as Of;
    let named =
        |key: &'static str, kinds: &[Of]| table.get(key).and_then(|field| component(context, &field, kinds));
    let parts: &[Of] = match thing {
        Thing::Sensor => &[Of::Probe],
        Thing::Actuator => &[Of::Load],
        Thing::Device => &[Of::Device],
        Thing::Board => &[Of::Hardware],
        _ => &[Of::Card, Of::Supply, Of::Hardware],
    };
    let mut fitting = Fitting {
        part: named("part", parts),
        connector: named("connector", &[Of::Connector]),
        length_m: table.quantity("length", Kind::Length, Bound::Within(0.0, 200.0)),
        area_mm2: area(table),
        price: table.number("price", Bound::NotNegative),
        compartment: table
            .get("compartment")
            .and_then(|field| field.word(&[("mains", Compartment::Mains), ("low", Compartment::Low)])),
        ..Fitting::NONE
    };
    match thing {
        Thing::Actuator => {
            fitting.switch = named("switch", &[Of::Relay, Of::SolidStateRelay, Of::Transistor]);
            if let Some(field) = table.get("suppressor") {
                if field.value.get_ref().as_str() == Some("none") {
                    fitting.without_suppressor = true;
                } else {
                    fitting.suppressor = component(context, &field, &[Of::Suppressor]);
                }
            }
            fitting.fuse_a = table.quantity("fuse", Kind::Current, Bound::Positive);
            fitting.leakage_a = table.quantity("leakage", Kind::Current, Bound::NotNegative);
            fitting.pwm_hz = table.quantity("duty_frequency", Kind::Frequency, Bound::Positive);
        }
        Thing::Sensor => {
            fitting.sealed = table.boolean("sealed");
            fitting.isolated = table.boolean("isolated");
        }
        Thing::Supply => {
            fitting.channels =
                table.get("channels").and_then(|field| field.whole(1, 64)).map(|channels| channels as u8);
            fitting.fuse_a = table.quantity("fuse", Kind::Current, Bound::Positive);
            fitting.leakage_a = table.quantity("leakage", Kind::Current, Bound::NotNegative);
            fitting.switch = named("switch", &[Of::Relay, Of::SolidStateRelay, Of::Transistor]);
            fitting.charger = named("charger", &[Of::Supply]);
            fitting.wave = table
                .get("wave")
                .and_then(|field| field.word(&[("sine", Wave::Sine), ("stepped", Wave::Stepped)]));
        }
        _ => {}
    }
    fitting
}

/// A cross-section in mm², or a gauge such as `"AWG 18"`.
fn area(table: &Table<'_>) -> Option<f64> {
    let field = table.get("wire")?;
    let text = field.value.get_ref().as_str().unwrap_or_default();
    let gauge = text.strip_prefix("AWG").or_else(|| text.strip_prefix("awg")).map(str::trim);
    if let Some(gauge) = gauge {
        return match gauge.parse::<u8>() {
            Ok(gauge) if (4..=36).contains(&gauge) => Some(awg_mm2(gauge)),
            _ => {
                field.report(
                    "unreadable-quantity",
                    format!("`{text}` is no wire gauge"),
                    "",
                    "write \"AWG 18\", from 4 to 36, or a cross-section such as \"0.75 mm2\"",
                );
                None
            }
        };
    }
    field.quantity(Kind::Area, Bound::Within(1e-8, 1e-4)).map(|area| area * 1e6)
}

/// Cross-section of a gauge, mm²: d = 0.127 mm 92^((36 - n)/39) (ASTM B258).
pub(crate) fn awg_mm2(gauge: u8) -> f64 {
    let diameter = 0.127 * 92f64.powf((36.0 - f64::from(gauge)) / 39.0);
    std::f64::consts::PI / 4.0 * diameter * diameter
}

pub(super) fn component<'a>(
    context: &Context<'a>,
    field: &Field<'a>,
    kinds: &[ComponentKind],
) -> Option<String> {
    let name = field.text()?;
    let ids = || -> Vec<&str> {
        let all = context.library.components().iter();
        all.filter(|c| kinds.contains(&c.kind)).map(|c| c.id.as_str()).collect()
    };
    match context.library.component(name) {
        Some(component) if kinds.contains(&component.kind) => return Some(name.to_owned()),
        Some(component) => field.report(
            "wrong-part",
            format!("`{name}` ({}) is of another kind than `{}` takes", component.title, field.key),
            "",
            suggest::help("", ids(), "components of this kind"),
        ),
        None => field.report(
            "unknown-part",
            format!("no component `{name}` is in the library"),
            "unknown component",
            suggest::help(name, ids(), "components of this kind"),
        ),
    }
    None
}
