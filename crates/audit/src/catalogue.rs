//! All findings of the audit by id: what each says, the formula and source behind it, the cure. docs/findings.md is
//! written from this list, and a test holds both together.

use std::fmt::Write as _;

/// One kind of finding.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Entry {
    /// Stable id.
    pub id: &'static str,
    /// What it says, in a line.
    pub says: &'static str,
    /// Formula and source; "-" where it is a plain look at the file.
    pub basis: &'static str,
    /// What mends it.
    pub cure: &'static str,
}

const fn entry(id: &'static str, says: &'static str, basis: &'static str, cure: &'static str) -> Entry {
    Entry { id, says, basis, cure }
}

/// The page docs/findings.md.
pub fn page() -> String {
    let mut page = String::from(
        "# Findings of the audit\n\n\
         Written from `crates/audit/src/catalogue.rs`; a test holds both together. Ids are stable: scripts may name them.\n\
         Findings about the text of the file itself are listed in docs/system-file.md.\n",
    );
    for entry in ALL {
        let _ = write!(
            page,
            "\n### `{}`\n\n{}\n\n- Basis: {}\n- Cure: {}\n",
            entry.id, entry.says, entry.basis, entry.cure
        );
    }
    page
}

/// All kinds, sorted by id.
pub const ALL: &[Entry] = &[
    entry(
        "alarm-told-to-nobody",
        "An alarm's priority is below the one from which messages leave.",
        "Comparison of `alarm.priority` with `system.telling.from`.",
        "Raise the priority, or lower `telling.from`.",
    ),
    entry(
        "battery-runs-out",
        "A battery is empty before the unattended time ends.",
        "`t = E/P`, loads by rule, shedding by charge followed; aged by the corner or 20 %.",
        "A larger battery, or loads that shed.",
    ),
    entry(
        "caution-limewater",
        "Limewater is caustic.",
        "pH 12.4 saturated at 25 °C (seawater crate, limewater).",
        "Goggles, gloves, a label.",
    ),
    entry(
        "caution-mains",
        "Mains stand beside salt water.",
        "IEC 60364-4-41 (30 mA), common practice.",
        "RCD, fuses, drip loops, rated contacts, a licensed electrician.",
    ),
    entry(
        "caution-model",
        "What kind of result this is.",
        "Spreads of the formulas used.",
        "Measure what a decision hangs on.",
    ),
    entry(
        "cold-before-a-person",
        "With the mains out the display is below 22 °C before a person can be there.",
        "`dT/dt = -L(T, room)/C` of the display alone in the coldest climate, the room falling exponentially as the climate says.",
        "A cover, or somebody nearer.",
    ),
    entry(
        "daily-limit-below-need",
        "The daily limit of a top-off is less than what evaporates.",
        "Evaporation of the worst climate against `daily_volume` or `daily_run`.",
        "A larger limit.",
    ),
    entry(
        "deadband-below-noise",
        "A deadband is less than four standard deviations of its probe's noise.",
        "Assumed limit; noise from the parts library or the file.",
        "A wider deadband or a lag.",
    ),
    entry(
        "deadband-below-resolution",
        "A deadband is less than two steps of its probe (an error below one).",
        "TMP36: V/1024/(10 mV/K) (data sheet); DS18B20: 1/16 K (data sheet); NTC: slope of the divider with the beta equation; pH: Nernst slope and amplifier.",
        "A wider deadband, or a finer probe or reference.",
    ),
    entry(
        "display-overflows-when-drain-blocked",
        "With its way out shut a fed vessel runs over.",
        "Geometry: freeboard against what the return chamber gives down to the float that stops the pump, or to the intake, plus what top-off can still bring.",
        "A high float that stops return and top-off, more freeboard, a smaller return chamber.",
    ),
    entry(
        "doses-when-dead",
        "A dosing pump runs while the board is dead.",
        "De-energised table.",
        "An NO contact.",
    ),
    entry(
        "drain-too-small",
        "What runs into a vessel cannot run out below its rim.",
        "Flow of the pump at its real head against weir (Francis 1883), drain (rim, mouth, full bore with Churchill 1977), opening (Torricelli).",
        "A wider way out or a smaller pump.",
    ),
    entry(
        "drain-without-reserve",
        "A drain carries less than one and a half times its flow.",
        "Full bore: `(f L/D + K) v²/2g` over the whole drop, Churchill 1977; reserve by common practice.",
        "A wider pipe or a second drain.",
    ),
    entry(
        "everything-stuck-on",
        "What sizes alone let happen when everything runs and nothing acts.",
        "Mixing of all sources into the tank; water poured to rest; steady temperature with all heaters.",
        "Sizes that cannot harm.",
    ),
    entry(
        "float-at-the-line",
        "A float that should only guard sits at the running line.",
        "Switching heights against the running level.",
        "Move it.",
    ),
    entry(
        "float-crossed-at-every-stop",
        "A float is crossed at every stop of the return, harmlessly.",
        "Running and stopped levels against its heights.",
        "Give its alarm a delay.",
    ),
    entry(
        "float-near-the-line",
        "A float switches within 2 mm of the running line.",
        "Geometry; ripple by common practice.",
        "10 mm of distance, or an `on_delay`.",
    ),
    entry(
        "float-never-reached",
        "A low float lies below the intake that it should guard.",
        "Heights.",
        "Place it above the intake.",
    ),
    entry(
        "float-trips-at-every-stop",
        "A latching trip is crossed at every stop of the return.",
        "Running and stopped levels; trip reset by hand.",
        "Move it, or make it a permissive.",
    ),
    entry(
        "float-without-delay",
        "A rule follows a float in moving water without delay.",
        "Common practice, no source: 5-30 s.",
        "A derived signal with `on_delay`.",
    ),
    entry("geometry-would-show", "No vessels: water lines cannot be computed.", "-", "Measure the vessels."),
    entry(
        "harm-before-a-person",
        "Ways to harm that are faster than the person.",
        "Table of hours against `system.response.weekend`.",
        "Protections that act by themselves.",
    ),
    entry(
        "heater-away-from-its-probe",
        "A heater follows a probe in water that the return no longer mixes with its own.",
        "Volume of its own body: `dT/dt = P/C`.",
        "A probe in its own vessel, and a proven return as permissive.",
    ),
    entry(
        "heater-bare-on-run-out",
        "A heater's mark is above the lowest water of its vessel.",
        "Heights; hours from the evaporation rate.",
        "Stand it where a baffle keeps the level, or a low float.",
    ),
    entry("heater-on-battery", "A battery feeds a heater.", "Supply chain.", "Heaters to the mains."),
    entry(
        "heater-on-when-dead",
        "A heater without second cut is on while the board is dead.",
        "De-energised table.",
        "An NO contact or its own thermostat.",
    ),
    entry(
        "heater-too-small",
        "The heaters give less than the coldest climate asks for.",
        "Walls: `1/U = 1/h_in + x/k + 1/(h_conv + h_rad)`, Churchill and Chu 1975; vapour: ASHRAE natatorium form; surface: Bowen 1926; less gear and mean light.",
        "More watts, a lid, insulation.",
    ),
    entry(
        "heater-without-reserve",
        "The heaters are enough, but not for losses 30 % larger.",
        "As heater-too-small, losses times 1.3.",
        "Some watts more.",
    ),
    entry(
        "heater-without-second-cut",
        "A heater whose contact sticks is stopped by nothing else, and harms.",
        "Steady temperature with it on; hours by `∫ C dT/(P - L(T))`.",
        "Its own thermostat, or a contactor that trips on a second probe; a heater too weak to harm.",
    ),
    entry("heater-would-show", "A heater lacks power or vessel.", "-", "Give `power` and `heats`."),
    entry(
        "intake-near-surface",
        "A pump's intake has less than 30 mm of water over it.",
        "Common practice, no source.",
        "A lower intake.",
    ),
    entry(
        "latent-protection",
        "A protection acts only when something is already wrong.",
        "Who reads it.",
        "A proof test by hand.",
    ),
    entry(
        "line-siphons",
        "A line siphons while its pump stands still, in either direction.",
        "Bernoulli: the outlet is below the source's surface; volume until levels or ends stop it.",
        "A higher end, or a pump that squeezes its tube.",
    ),
    entry(
        "livestock-would-show",
        "No livestock: oxygen cannot be computed.",
        "-",
        "Mass of fish, area of corals.",
    ),
    entry(
        "mark-above-water",
        "A heater or pump is bare while running or after a stop.",
        "Mark against levels.",
        "A lower place.",
    ),
    entry(
        "messages-die-with-the-mains",
        "The message path has no battery.",
        "Supply chain of `telling.supply`.",
        "Battery for router and board.",
    ),
    entry(
        "movement-stops-with-the-board",
        "All movers of the livestock's vessel rest open.",
        "De-energised table.",
        "One NC contact, or one past the board.",
    ),
    entry("no-alarm", "The file has no alarm.", "-", "Add alarms."),
    entry(
        "no-backup",
        "No battery although there is livestock.",
        "-",
        "A battery for movement, board, messages.",
    ),
    entry("no-leak-probe", "Nothing notices water on the floor.", "-", "A leak probe."),
    entry("no-rcd", "A mains circuit without an RCD of 30 mA.", "IEC 60364-4-41.", "An RCD (GFCI)."),
    entry(
        "no-siphon-break",
        "A return line without break hole siphons down to its outlet.",
        "Geometry; an error when the sump cannot take it.",
        "A break hole just below the surface.",
    ),
    entry("no-temperature-trip", "No rule trips on a temperature.", "-", "A trip on a second probe."),
    entry("no-watchdog", "A hung board stays hung.", "-", "A watchdog."),
    entry("nothing-alarms", "No alarm reads any sensor of a kind that is there.", "-", "An alarm."),
    entry("one-circuit-for-heat", "All heat sources hang on one circuit.", "Supply chains.", "Two circuits."),
    entry(
        "one-circuit-for-movement",
        "All water movers hang on one circuit and no battery.",
        "Supply chains.",
        "Two circuits, or a battery.",
    ),
    entry(
        "one-heater-dead-chills",
        "With one heater dead the water settles below 22 °C.",
        "Steady temperature with the others on; losses ±30 %.",
        "Two heaters, each able to hold the limit.",
    ),
    entry(
        "one-probe",
        "A heater believes one probe alone.",
        "What its conditions read.",
        "A second probe in a trip.",
    ),
    entry(
        "outputs-freeze",
        "Outputs keep their state when the board is dead.",
        "`board.when_dead`.",
        "Outputs that release.",
    ),
    entry(
        "oxygen-low-in-heavy-corner",
        "With the mains out and heavy demand oxygen falls below 4 mg/L.",
        "As oxygen-runs-out with the heaviest corner.",
        "A second air stone on the battery.",
    ),
    entry(
        "oxygen-low-while-running",
        "By night oxygen settles below 4 mg/L with everything running.",
        "`C_ss = C* - R/kLa`; C* by Garcia and Gordon 1992.",
        "More exchange or less livestock.",
    ),
    entry(
        "oxygen-runs-out",
        "With the mains out oxygen falls below 4 mg/L.",
        "`t = -ln((C_lim - C_ss)/(C_0 - C_ss))/kLa`; start: steady running state by night.",
        "Air or movement on a battery.",
    ),
    entry(
        "oxygen-without-return",
        "Without the return oxygen falls below 4 mg/L.",
        "As oxygen-runs-out.",
        "Movement of the display's own surface.",
    ),
    entry(
        "pump-too-weak",
        "A pump cannot lift its water.",
        "Head at no flow against static head.",
        "A pump with more head.",
    ),
    entry(
        "reservoir-runs-out",
        "The reservoir is empty before somebody comes.",
        "Evaporation: `(0.089 + 0.0782 v)(pw - pa)/Y` times each vessel's share (Carrier 1918; ASHRAE), ±40 %; an error when nominal.",
        "A larger reservoir or a refill.",
    ),
    entry(
        "restart-all-at-once",
        "Everything starts at once after an outage.",
        "`start_delay` of all rules.",
        "Staggered delays.",
    ),
    entry("return-would-show", "A pump but no pumped passage.", "-", "Describe the return line."),
    entry(
        "room-would-show",
        "No climate: heat and evaporation cannot be computed.",
        "-",
        "Room temperatures and humidity.",
    ),
    entry("sensor-unused", "Nothing reads a sensor.", "-", "A rule or an alarm."),
    entry("silence-unnoticed", "Nobody notices when messages stop.", "`telling.heartbeat`.", "A heartbeat."),
    entry(
        "single-float",
        "One float alone stops a top-off.",
        "What its conditions and series contacts read.",
        "A second float in series.",
    ),
    entry(
        "start-level-off",
        "A vessel starts away from its running level.",
        "Static design point against the file.",
        "Set the level.",
    ),
    entry(
        "sump-overflows-on-stop",
        "What comes down at a stop does not fit into the sump.",
        "Geometry: area x (running head + fall to the siphon break) + boxes + pipes, poured to rest against the rims.",
        "A higher break, a lower running level, a larger sump.",
    ),
    entry(
        "sump-overflows-when-hole-shut",
        "The same once a break hole has grown shut or a check valve leaks.",
        "The same with the outlet as break.",
        "A higher outlet.",
    ),
    entry(
        "supplies-would-show",
        "No supplies: common causes cannot be told.",
        "-",
        "Circuits, cards, batteries.",
    ),
    entry(
        "threshold-without-deadband",
        "A rule switches on one threshold of a noisy value.",
        "-",
        "A gap, or shortest run and rest.",
    ),
    entry(
        "too-hot-in-climate",
        "In a climate the water settles above 29.5 °C with all that cools it.",
        "Steady heat balance with fans and light as the rules allow.",
        "Fans, less light, a chiller.",
    ),
    entry(
        "top-off-dilutes",
        "A stuck top-off takes salinity below 32.5.",
        "`S' = S m/(m + V rho)`.",
        "A smaller source, limits, a float in series.",
    ),
    entry(
        "top-off-float-above-cut",
        "The float that calls ends above the float that cuts.",
        "Heights.",
        "Move the cut up.",
    ),
    entry(
        "top-off-float-off-the-line",
        "The band of the calling float does not hold the file's level.",
        "Heights.",
        "Set the level.",
    ),
    entry(
        "top-off-floods",
        "A stuck top-off puts water on the floor.",
        "Worst volume against free space, water poured to rest.",
        "A smaller source, limits, a float in series.",
    ),
    entry(
        "top-off-overdoses-lime",
        "A stuck top-off overdoses lime.",
        "`TA' = (m TA + 2 c V)/m'`; pH from the carbonate system (seawater crate), closed: an upper bound.",
        "Lime from its own small vessel.",
    ),
    entry(
        "top-off-too-slow",
        "The top-off pump is slower than evaporation.",
        "Evaporation + 40 % against its flow.",
        "A faster pump.",
    ),
    entry(
        "top-off-without-limit",
        "A dosing pump has no longest run and no daily limit.",
        "Its rule; a note when the whole source cannot harm.",
        "Limits that latch.",
    ),
];
