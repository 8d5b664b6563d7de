//! All findings of the electrics by id: what each says, the formula and source behind it, the cure. docs/electrics-findings.md is written
//! from this list, and a test holds both together.

use system::catalogue::{Entry, entry};

/// The page docs/electrics-findings.md.
pub fn page() -> String {
    system::catalogue::page(
        "Findings of the electrics",
        "Written from `crates/electrics/src/catalogue.rs`; a test holds both together. Ids are stable: scripts and acceptances may name\n\
         them. What the file does not say (`[electrics]`, `[fitting]`) is not judged.",
        ALL,
    )
}

/// All kinds, sorted by id.
pub const ALL: &[Entry] = &[
    entry(
        "battery-used-too-deep",
        "A battery is used deeper than its kind bears each time.",
        "`usable` of the supply against that of its `block`.",
        "A smaller `usable`, a larger battery.",
    ),
    entry("battery-without-fuse", "A battery has no fuse.", "`fuse` of its fitting.", "A fuse at its pole."),
    entry(
        "circuit-overloaded",
        "Everything on draws more than the breaker holds.",
        "Sum of the currents, P/(U cos phi).",
        "Another circuit.",
    ),
    entry(
        "coil-without-diode",
        "Relay coils without a diode across them.",
        "The card's part.",
        "Diodes, or a card that has them.",
    ),
    entry(
        "connector-fits-two-voltages",
        "One kind of plug at two voltages.",
        "Connectors of the fittings.",
        "Another kind of connector for each voltage.",
    ),
    entry(
        "connector-overloaded",
        "A connector carries more than it is rated for.",
        "Its part.",
        "A larger connector.",
    ),
    entry(
        "contact-overloaded",
        "A contact carries more than it bears of this kind of load.",
        "Ratings by kind of load of the part.",
        "A contact with a larger rating.",
    ),
    entry(
        "contact-overloaded-by-inrush",
        "A contact closes on more inrush than it bears.",
        "Inrush of the load's part against the contact's.",
        "A relay for lamp loads, a limiter.",
    ),
    entry(
        "contact-voltage",
        "A contact has more voltage than it is rated for.",
        "Rated voltage of the part.",
        "A contact for the voltage.",
    ),
    entry(
        "contact-without-suppressor",
        "An inductive load on a contact with nothing against spikes.",
        "Nature of the load's part; `suppressor` of its fitting.",
        "A snubber or varistor on the mains, a diode on direct current.",
    ),
    entry(
        "does-not-fit",
        "There are not places enough on the board, its expanders or cards.",
        "A matching of wishes to places; the finding names a smallest set that does not fit.",
        "The smallest change, which it names.",
    ),
    entry(
        "door-does-not-open",
        "The enclosure's door meets something.",
        "`door` of the enclosure.",
        "Another hinge.",
    ),
    entry(
        "duty-frequency",
        "A driver takes no duty of 25 kHz.",
        "Timer 1 of the firmware.",
        "A filter to a voltage, another driver.",
    ),
    entry(
        "electrics-would-show",
        "The file says nothing of the electrics.",
        "-",
        "`[electrics]` and `[fitting]`.",
    ),
    entry(
        "enclosure-too-hot",
        "The air in the enclosure gets too warm for what is in it.",
        "P/(5.5 W/m²K A); 50 °C by common data sheets.",
        "A larger or vented enclosure.",
    ),
    entry(
        "enclosure-too-small",
        "What goes into the enclosure covers more than half of its back.",
        "Sizes of the parts.",
        "A larger enclosure.",
    ),
    entry("enclosure-would-show", "No enclosure is described.", "-", "`enclosure` in `[electrics]`."),
    entry(
        "expander-overloaded",
        "The lines of an expander carry more than its supply pins bear.",
        "MCP23017: 150 mA out of VSS, 125 mA into VDD (data sheet).",
        "Smaller input currents, a second expander.",
    ),
    entry(
        "fails-to-danger",
        "A failed switch or a dead board leaves a load in its dangerous state.",
        "Semiconductors fail short; resting sides.",
        "The safe resting side, a second cut.",
    ),
    entry(
        "ground-probe-without-rcd",
        "A ground probe with a circuit without an RCD of 30 mA.",
        "IEC 60364-4-41; common practice, no source.",
        "RCDs, or no ground probe.",
    ),
    entry(
        "heaters-on-one-card",
        "All heaters rest off on one card: dead, it leaves no heat.",
        "`switched_by`.",
        "Two cards, or a closed contact with its own thermostat.",
    ),
    entry(
        "heaters-on-one-relay",
        "Two heaters behind one contact and no other.",
        "`through` of their supply.",
        "A relay for each.",
    ),
    entry(
        "i2c-pull-up",
        "The I2C bus rises too slowly, or its pull-ups are too strong.",
        "t = 0.8473 R C, R >= (V - 0.4)/3 mA, C <= 400 pF (UM10204).",
        "Other pull-ups, a shorter cable, a slower clock.",
    ),
    entry(
        "inrush-trips-breaker",
        "When the mains return too much starts at once.",
        "Sum of the inrush of all that rests closed, against 3 I_n of type B (IEC 60898-1).",
        "Type C, a limiter, fewer closed contacts.",
    ),
    entry(
        "leakage-per-rcd",
        "Standing leakage above 30 % of an RCD's rating.",
        "Sum of leakage; IEC 60364-5-53: 9 mA of 30.",
        "Two RCDs, class II supplies.",
    ),
    entry(
        "line-floats-high",
        "A load is energised by a line that is high at power-up.",
        "PCF8574 data sheet.",
        "A card that is energised by a low level.",
    ),
    entry("lock-stale", "The wiring lock names what the file no longer has.", "-", "Write it anew."),
    entry(
        "mains-and-low-in-one-compartment",
        "Mains and low voltage share a compartment.",
        "IEC 61140, IEC 60664-1.",
        "A wall or two boxes.",
    ),
    entry(
        "no-spare-channel",
        "Nothing is left for what comes later or fails.",
        "Free places of the plan; `spares`.",
        "A larger part now.",
    ),
    entry(
        "one-circuit",
        "Everything hangs on one circuit.",
        "Common practice, no source: two at least.",
        "A second RCD.",
    ),
    entry(
        "one-wire-star",
        "Thermometers as a star on a long bus.",
        "Common practice, no source.",
        "A chain, or a pin for each.",
    ),
    entry(
        "one-wire-too-long",
        "The one-wire bus rises too slowly.",
        "R C ln(1/0.3) <= 9 µs (DS18B20 data sheet), 50 pF/m assumed.",
        "A smaller pull-up, two buses.",
    ),
    entry(
        "pin-moves-at-reset",
        "A load hangs on a pin that the bootloader or a lamp moves.",
        "Form of the board.",
        "Another pin.",
    ),
    entry(
        "pin-overloaded",
        "A pin carries more than its levels are told for.",
        "20 mA test condition, 40 mA absolute maximum (ATmega328P data sheet).",
        "A transistor.",
    ),
    entry(
        "plug-too-deep",
        "A plug does not fit before its socket.",
        "Depth of the load's part.",
        "Angled plugs, another wall.",
    ),
    entry(
        "polarity-mismatch",
        "A command is the wrong way round for its card.",
        "`active_low` against the card's part.",
        "The right `active_low`.",
    ),
    entry(
        "port-group-overloaded",
        "Pins of a group carry more than its sum.",
        "ATmega328P data sheet 8271: 150 mA given, 100 mA taken; 200 mA in all.",
        "Spread, transistors.",
    ),
    entry(
        "probe-not-isolated",
        "A probe ties the water to the board's ground.",
        "Common practice, no source.",
        "An isolated amplifier.",
    ),
    entry(
        "probe-not-sealed",
        "The cable entry of a probe is not sealed.",
        "Its part, or `sealed`.",
        "Pot it.",
    ),
    entry(
        "pump-and-heater-on-one-breaker",
        "One breaker takes heater and the last pump along.",
        "Supply chains.",
        "Spread them.",
    ),
    entry(
        "rail-overloaded",
        "A rail gives less than everything on it draws.",
        "Sum of the currents.",
        "A larger supply.",
    ),
    entry(
        "rail-without-headroom",
        "A rail has less than a fifth to spare.",
        "Common practice, no source.",
        "A larger supply.",
    ),
    entry(
        "reference-not-offered",
        "The converter does not have the reference that a probe reckons with.",
        "Form of the board.",
        "One that it has.",
    ),
    entry(
        "references-disagree",
        "Probes reckon with different references of one converter.",
        "`reference` of the sensors.",
        "One for all.",
    ),
    entry(
        "ssr-below-minimum-load",
        "A solid-state relay has less load than it needs to stay on.",
        "Its part.",
        "A mechanical relay.",
    ),
    entry(
        "ssr-leaks-through-load",
        "A solid-state relay leaks a tenth or more of what its load draws.",
        "Its part.",
        "A mechanical relay.",
    ),
    entry("ssr-too-hot", "A solid-state relay needs a heat sink.", "P = V_on I; its part.", "A sink."),
    entry(
        "stepped-wave-stalls-motors",
        "Motors on the stepped wave of an inverter.",
        "Common practice, no source.",
        "A pump on direct current.",
    ),
    entry(
        "votes-on-one-expander",
        "Sensors that vote together sit on one expander: dead, both are bad at once.",
        "The plan.",
        "A pin, or a second expander.",
    ),
    entry("wire-drop", "A wire loses more than 5 %.", "2 L R I; IEC 60364-5-52 annex G.", "A thicker wire."),
    entry(
        "wire-thinner-than-fuse",
        "A wire burns before its fuse opens.",
        "IEC 60335-1 table 11; common practice.",
        "A thicker wire, a smaller fuse.",
    ),
];
