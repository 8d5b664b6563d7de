//! What a failure does: the closed list that the simulator implements. Parts are data; this is the vocabulary they use.

use units::Kind;

/// What a failure mode does to its part.
///
/// Names in data files are the kebab-case of the variants; a variant with a figure takes `amount`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Effect {
    // ---- contact sensors (floats, leak probes, presence, buttons)
    /// The contact says "above" (wet, present, pressed) whatever is there; `contact-above`.
    ContactAbove,
    /// The contact says "below" (dry, absent, released) whatever is there; `contact-below`.
    ContactBelow,
    /// The contact changes its mind every second while the true state lies near, and once a minute otherwise.
    Chatter,
    /// The wire is open: a contact reads as its open side, an analogue input as full scale or zero, a bus part as missing.
    ReadsOpen,
    /// The wire is shorted: a contact reads as its closed side, an analogue input as zero, a bus part as missing.
    ReadsShorted,

    // ---- all sensors
    /// The reading stays what it was at the onset.
    Frozen,
    /// The reading moves away from the truth by so much a day, in the SI unit of the signal.
    Drift(f64),
    /// The reading is off by so much at once, in the SI unit of the signal.
    Offset(f64),
    /// The probe hangs in the air of the room.
    FallenOut,
    /// The probe hangs in another vessel (the one that the display's or the sump's water comes from).
    WrongVessel,
    /// No pulses, no charge: the reading is zero.
    ReadsZero,

    // ---- switching and running parts
    /// The contact is welded: energised whatever the board says; supply and its own thermostat still bind.
    AlwaysOn,
    /// The contact stays open: never energised.
    NeverOn,
    /// Energised, but nothing happens: open element, seized rotor, dead lamp.
    Stopped,
    /// Works with this factor on its strength (flow, heat, light, dose).
    Factor(f64),
    /// Runs until the power next blinks, then never again. Latent.
    NoRestart,
    /// The hose behind the pump is off: its flow falls onto bund and floor instead of its outlet.
    HoseOff,
    /// The end of the line has slipped out of the vessel it fills and hangs outside its rim.
    LineSlipped,
    /// The end of the line has slipped down into the water, so it can siphon.
    LineSubmerged,
    /// The part's own thermostat no longer opens. Latent while the rule works.
    ThermostatWelded,
    /// A cracked glass or a wet connector: leakage trips the RCD of its circuit.
    TripsRcd,
    /// Removes water to a collector or the floor at this rate, m³/s, while on.
    Removes(f64),
    /// The collector is full: what the skimmer removes goes to the floor.
    CollectorFull,

    // ---- boards and supplies
    /// Dead: outputs release (or freeze, if the board does).
    Dead,
    /// The program hangs; a watchdog resets it within 2 s, without one it lasts.
    Hang,
    /// Outputs keep their last state while the program runs on.
    OutputsFrozen,
    /// The clock is lost: time of day is bad until set.
    ClockLost,
    /// The supply sags: the board resets every few seconds for a while.
    BrownOut,

    // ---- water ways and vessels
    /// This share of the opening is blocked (1: all of it).
    Blocked(f64),
    /// The hole that breaks the siphon has grown shut.
    BreakHoleShut,
    /// The check valve lets water back.
    CheckValveLeaks,
    /// A leak to bund and floor at this rate, m³/s.
    Leak(f64),
    /// All water above the floor of the vessel runs out.
    SeamFails,
    /// The vessel is empty.
    Emptied,
    /// The vessel was filled with the system's salt water.
    FilledWithSaltWater,
    /// Limewater runs as slurry: this factor on its strength.
    Slurry(f64),

    // ---- the house and its people
    /// The mains of the whole house are out.
    MainsOut,
    /// The mains blink for two seconds: everything restarts at once.
    MainsBlink,
    /// The heating of the house is off: the room falls as without mains.
    HeatingOff,
    /// The cooling of the house is dead in the hottest climate of the file.
    CoolingDead,
    /// The room air holds so much CO2, ppm.
    RoomCo2(f64),
    /// Somebody left the part in hand, off.
    LeftOff,
    /// Alarms reach nobody.
    TellingDead,
}

/// What an effect is applied to, for laying out the simulator.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Group {
    /// The raw code of a sensor.
    Sensor,
    /// The state or strength of an actuator.
    Actuator,
    /// A board or supply.
    Power,
    /// A passage or vessel.
    Water,
    /// The surroundings.
    Surroundings,
}

impl Effect {
    /// The effect of that name; `amount` where it takes one. The error says what is wrong.
    pub(crate) fn read(name: &str, amount: Option<f64>) -> Result<Effect, &'static str> {
        let plain = match name {
            "contact-above" => Effect::ContactAbove,
            "contact-below" => Effect::ContactBelow,
            "chatter" => Effect::Chatter,
            "reads-open" => Effect::ReadsOpen,
            "reads-shorted" => Effect::ReadsShorted,
            "frozen" => Effect::Frozen,
            "fallen-out" => Effect::FallenOut,
            "wrong-vessel" => Effect::WrongVessel,
            "reads-zero" => Effect::ReadsZero,
            "always-on" => Effect::AlwaysOn,
            "never-on" => Effect::NeverOn,
            "stopped" => Effect::Stopped,
            "no-restart" => Effect::NoRestart,
            "hose-off" => Effect::HoseOff,
            "line-slipped" => Effect::LineSlipped,
            "line-submerged" => Effect::LineSubmerged,
            "thermostat-welded" => Effect::ThermostatWelded,
            "trips-rcd" => Effect::TripsRcd,
            "collector-full" => Effect::CollectorFull,
            "dead" => Effect::Dead,
            "hang" => Effect::Hang,
            "outputs-frozen" => Effect::OutputsFrozen,
            "clock-lost" => Effect::ClockLost,
            "brown-out" => Effect::BrownOut,
            "break-hole-shut" => Effect::BreakHoleShut,
            "check-valve-leaks" => Effect::CheckValveLeaks,
            "seam-fails" => Effect::SeamFails,
            "emptied" => Effect::Emptied,
            "filled-with-salt-water" => Effect::FilledWithSaltWater,
            "mains-out" => Effect::MainsOut,
            "mains-blink" => Effect::MainsBlink,
            "heating-off" => Effect::HeatingOff,
            "cooling-dead" => Effect::CoolingDead,
            "left-off" => Effect::LeftOff,
            "telling-dead" => Effect::TellingDead,
            _ => {
                let amount = amount.ok_or("it needs an `amount`, or is no effect at all");
                return match name {
                    "drift" => amount.map(Effect::Drift),
                    "offset" => amount.map(Effect::Offset),
                    "factor" => amount.map(Effect::Factor),
                    "removes" => amount.map(Effect::Removes),
                    "blocked" => amount.map(Effect::Blocked),
                    "leak" => amount.map(Effect::Leak),
                    "slurry" => amount.map(Effect::Slurry),
                    "room-co2" => amount.map(|share| Effect::RoomCo2(share * 1e6)),
                    _ => Err("no such effect"),
                };
            }
        };
        if amount.is_some() { Err("it takes no `amount`") } else { Ok(plain) }
    }

    /// Kind of the `amount` of an effect; None for those in the unit of the sensor's own signal.
    pub(crate) fn amount_kind(name: &str) -> Option<Kind> {
        match name {
            "factor" | "blocked" | "slurry" | "room-co2" => Some(Kind::Ratio),
            "removes" | "leak" => Some(Kind::Flow),
            _ => None,
        }
    }

    /// What it is applied to.
    pub fn group(self) -> Group {
        match self {
            Effect::ContactAbove
            | Effect::ContactBelow
            | Effect::Chatter
            | Effect::ReadsOpen
            | Effect::ReadsShorted
            | Effect::Frozen
            | Effect::Drift(_)
            | Effect::Offset(_)
            | Effect::FallenOut
            | Effect::WrongVessel
            | Effect::ReadsZero => Group::Sensor,
            Effect::AlwaysOn
            | Effect::NeverOn
            | Effect::Stopped
            | Effect::Factor(_)
            | Effect::NoRestart
            | Effect::HoseOff
            | Effect::LineSlipped
            | Effect::ThermostatWelded
            | Effect::TripsRcd
            | Effect::Removes(_)
            | Effect::CollectorFull
            | Effect::LeftOff => Group::Actuator,
            Effect::Dead | Effect::Hang | Effect::OutputsFrozen | Effect::ClockLost | Effect::BrownOut => {
                Group::Power
            }
            Effect::Blocked(_)
            | Effect::BreakHoleShut
            | Effect::CheckValveLeaks
            | Effect::LineSubmerged
            | Effect::Leak(_)
            | Effect::SeamFails
            | Effect::Emptied
            | Effect::FilledWithSaltWater
            | Effect::Slurry(_) => Group::Water,
            Effect::MainsOut
            | Effect::MainsBlink
            | Effect::HeatingOff
            | Effect::CoolingDead
            | Effect::RoomCo2(_)
            | Effect::TellingDead => Group::Surroundings,
        }
    }
}
