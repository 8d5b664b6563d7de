//! Every number that the audit computes, named, with its unit in its name; serialisable; `table` prints them.
//!
//! None means "does not happen" or "not asked" as each field says; no field is ever infinite or not a number.

use serde::Serialize;

macro_rules! facts {
    ($($(#[$doc:meta])* $name:ident { $($(#[$field_doc:meta])* $field:ident: $kind:ty,)* })*) => {$(
        $(#[$doc])*
        #[derive(Clone, Debug, Default, PartialEq, Serialize)]
        pub struct $name {
            $($(#[$field_doc])* pub $field: $kind,)*
        }
    )*};
}

facts! {
    /// All of them.
    Facts {
        /// Levels and volumes of each vessel, in file order.
        vessels: Vec<VesselFact>,
        /// Where each pumped line meets its pump.
        pumps: Vec<PumpFact>,
        /// Overflows, baffles and drains at the design flow.
        weirs: Vec<WeirFact>,
        /// The system's water as a whole. None without geometry.
        water: Option<WaterFact>,
        /// What runs down when the pumps stop. None without a pumped line.
        drain_down: Option<DrainDownFact>,
        /// Both directions of each thin line and hose.
        siphons: Vec<SiphonFact>,
        /// What each vessel that a pump feeds takes when its way out is shut.
        blocked: Vec<BlockedFact>,
        /// Floats against the water lines.
        floats: Vec<FloatFact>,
        /// Lines that bring fresh water or limewater.
        dosing: Vec<DosingFact>,
        /// Evaporation by climate.
        evaporation: Vec<EvaporationFact>,
        /// Reservoirs against the unattended time.
        reservoirs: Vec<ReservoirFact>,
        /// Temperatures by climate, without and with what can be done.
        climates: Vec<ClimateFact>,
        /// Each heater dead and stuck on.
        heaters: Vec<HeaterFact>,
        /// Bodies of water once the pumped lines stand still.
        still_bodies: Vec<BodyFact>,
        /// Runtime of each battery.
        batteries: Vec<BatteryFact>,
        /// Steps of probes against the deadbands that use them.
        deadbands: Vec<DeadbandFact>,
        /// Oxygen with and without circulation.
        oxygen: Vec<OxygenFact>,
        /// What happens if everything that can run is stuck on. None without geometry.
        everything_on: Option<EverythingOnFact>,
        /// State of each actuator when something is dead.
        de_energised: Vec<DeEnergisedFact>,
        /// Marks of heaters and pumps against the lowest water.
        marks: Vec<MarkFact>,
        /// Hours to harm beside the hours until a person is there.
        hours: Vec<HoursFact>,
    }

    /// One vessel.
    VesselFact {
        /// Its name.
        name: String,
        /// Level that the file starts with.
        start_mm: f64,
        /// Level at the design point.
        running_mm: f64,
        /// Level after the pumps stop.
        stopped_mm: f64,
        /// Level after the pumps stop with break holes grown shut and check valves leaking.
        stopped_worst_mm: f64,
        /// Lowest level that pumps or evaporation can leave with the return stopping where it stops.
        drained_mm: f64,
        /// Inside height.
        rim_mm: f64,
        /// Water at the design point.
        running_l: f64,
        /// Space from the running level to the rim.
        free_l: f64,
    }

    /// One pumped line at its operating point.
    PumpFact {
        /// The passage.
        passage: String,
        /// Its pump.
        pump: String,
        /// Height it lifts: from the source's surface to the higher of outlet and surface.
        static_head_m: f64,
        /// Flow of all legs.
        flow_l_h: f64,
        /// Head over the pump.
        head_m: f64,
        /// Speed in the trunk.
        speed_m_s: f64,
        /// Flow over the volume of the system.
        turnovers_per_h: f64,
        /// Water over the intake at the running level.
        cover_over_intake_mm: f64,
    }

    /// One overflow.
    WeirFact {
        /// The passage.
        passage: String,
        /// Flow over it.
        flow_l_h: f64,
        /// Head over crest or inlet.
        head_mm: f64,
        /// Head if half its width is blocked (weirs and baffles).
        head_if_half_blocked_mm: f64,
        /// What a drain carries full with its vessel at the rim.
        capacity_l_h: Option<f64>,
    }

    /// The system's water.
    WaterFact {
        /// Volume at the design point, pipes included.
        volume_l: f64,
        /// Its mass.
        mass_kg: f64,
        /// Heat capacity of the water alone.
        heat_capacity_mj_k: f64,
        /// Alkalinity at the start.
        alkalinity_dkh: f64,
        /// pH (NBS) at the start, given or in equilibrium with the air of the first climate.
        ph_nbs: f64,
    }

    /// What runs down when the pumps stop.
    DrainDownFact {
        /// Water that comes down, boxes and pipes included.
        released_l: f64,
        /// Of it from pipes.
        pipes_l: f64,
        /// Space in the receiving vessels from the running level to the rim.
        free_l: f64,
        /// Runs over the rim.
        spilled_l: f64,
        /// Of it on the floor, beyond the bund.
        floor_l: f64,
        /// The same with break holes grown shut and check valves leaking: comes down.
        worst_released_l: f64,
        /// ... runs over the rim.
        worst_spilled_l: f64,
        /// ... on the floor.
        worst_floor_l: f64,
        /// Lowest break height in the fed vessel at which nothing spills. None: nothing to mend, or no height mends it.
        break_needed_mm: Option<f64>,
        /// What would come down with the siphon broken at that height.
        mended_released_l: Option<f64>,
    }

    /// One direction of a line or hose.
    SiphonFact {
        /// The passage.
        passage: String,
        /// From which vessel.
        from: String,
        /// To which.
        to: String,
        /// Water that would pass if the line filled and nothing held it.
        volume_l: f64,
        /// Of it over the rim of the receiving tank.
        spilled_l: f64,
        /// What holds it: "squeezed tube", "check valve", or nothing.
        held_by: Option<String>,
    }

    /// A fed vessel with its way out shut.
    BlockedFact {
        /// The vessel.
        vessel: String,
        /// Space above the running level.
        freeboard_l: f64,
        /// Water that the pump's source gives down to the intake.
        source_to_intake_l: f64,
        /// Level that this makes.
        level_to_intake_mm: f64,
        /// Water until a float stops the pump. None: no float does.
        to_float_l: Option<f64>,
        /// Level that this makes.
        level_to_float_mm: Option<f64>,
        /// Level with the whole reservoir on top.
        level_with_reservoir_mm: f64,
        /// Runs over with the whole reservoir on top.
        spilled_with_reservoir_l: f64,
        /// Minutes to the rim while the source lasts and top-off refills it. None: never reaches it.
        minutes_to_rim: Option<f64>,
    }

    /// One float.
    FloatFact {
        /// The sensor.
        sensor: String,
        /// Its vessel.
        vessel: String,
        /// Says "below" under this.
        low_mm: f64,
        /// Says "above" over this.
        high_mm: f64,
        /// Water line while running.
        running_mm: f64,
        /// After a stop.
        stopped_mm: f64,
        /// Highest after a stop.
        stopped_worst_mm: f64,
        /// Lowest.
        drained_mm: f64,
    }

    /// A line that brings fresh water or limewater.
    DosingFact {
        /// The passage.
        passage: String,
        /// Its pump.
        pump: String,
        /// Flow while it runs.
        flow_l_h: f64,
        /// What the source holds above its intake.
        source_l: f64,
        /// Most in one run by `longest_run`.
        longest_run_l: Option<f64>,
        /// Most in a day by the daily limits.
        daily_l: Option<f64>,
        /// Most above the satisfied level by a float in series in hardware.
        series_l: Option<f64>,
        /// Most above the satisfied level by a float that the rule reads as permissive or trip.
        permissive_l: Option<f64>,
        /// The calling float stuck, everything else working, over the unattended time.
        called: DoseFact,
        /// The contact welded: only hardware holds.
        welded: DoseFact,
        /// Nothing holds but the size of the source.
        unlimited: DoseFact,
        /// Dose that takes salinity to the lower limit.
        to_salinity_limit_l: f64,
        /// Hours to it at this flow. None: the source holds less.
        hours_to_salinity_limit: Option<f64>,
    }

    /// What a dose does.
    DoseFact {
        /// Volume.
        volume_l: f64,
        /// Hours to deliver it without pause.
        hours: f64,
        /// Salinity after it, if it comes on top of the water.
        salinity: f64,
        /// Level of the receiving vessel or of its whole tank, running.
        level_mm: f64,
        /// Over the rim, running.
        spilled_l: f64,
        /// On the floor, beyond the bund.
        floor_l: f64,
        /// Alkalinity after it.
        alkalinity_dkh: f64,
        /// Rise of alkalinity, dilution included.
        alkalinity_rise_dkh: f64,
        /// pH (NBS) after it: closed to the air, nothing precipitated, so an upper bound.
        ph_nbs: f64,
    }

    /// Evaporation in a climate.
    EvaporationFact {
        /// The climate.
        climate: String,
        /// Water temperature taken.
        water_c: f64,
        /// With the fans that run at this temperature.
        fans: bool,
        /// Nominal.
        l_day: f64,
        /// 40 % less.
        low_l_day: f64,
        /// 40 % more.
        high_l_day: f64,
    }

    /// A reservoir.
    ReservoirFact {
        /// The vessel.
        vessel: String,
        /// Between the level at the start and what can be drawn.
        usable_l: f64,
        /// Days at the largest nominal evaporation.
        days: f64,
        /// Days at 40 % more.
        days_worst: f64,
        /// Needed over the unattended time, nominal.
        need_l: f64,
        /// Needed at 40 % more.
        need_worst_l: f64,
    }

    /// Temperatures in a climate.
    ClimateFact {
        /// Its name.
        climate: String,
        /// Daily mean of the room.
        room_c: f64,
        /// Heat lost at the working temperature: walls, evaporation and surface.
        loss_w: f64,
        /// Through walls.
        walls_w: f64,
        /// With the vapour.
        latent_w: f64,
        /// From the open surface to the air.
        sensible_w: f64,
        /// From pumps and other gear that run anyway.
        gear_w: f64,
        /// Light, averaged over the day.
        light_w: f64,
        /// Heater power that holds the working temperature.
        heater_need_w: f64,
        /// Need with all losses 30 % smaller.
        heater_need_low_w: f64,
        /// Need with all losses 30 % larger.
        heater_need_high_w: f64,
        /// Settles at without heaters, with light, without fans.
        unheated_c: f64,
        /// ... with fans on.
        with_fans_c: f64,
        /// ... with fans on and the light off.
        fans_no_light_c: f64,
        /// The same with losses 30 % smaller where they cool (or larger where they warm).
        fans_no_light_high_c: f64,
        /// All heaters full on without any cut: settles at.
        all_heaters_c: f64,
    }

    /// A heater in a climate.
    HeaterFact {
        /// The actuator.
        heater: String,
        /// The climate.
        climate: String,
        /// Power into the water.
        watts: f64,
        /// Stuck on, others off: settles at, its own thermostat not counted.
        stuck_c: f64,
        /// Hours from the working temperature to 29.5 °C.
        hours_to_29_5: Option<f64>,
        /// Hours to 31 °C.
        hours_to_31: Option<f64>,
        /// Lowest cut that does not share its contact: own thermostat or contactor trip.
        cut_c: Option<f64>,
        /// Hours to that cut.
        hours_to_cut: Option<f64>,
        /// Dead, the others full on: settles at.
        dead_c: f64,
        /// ... with losses 30 % larger.
        dead_worst_c: f64,
        /// Hours to 22 °C with it dead.
        hours_to_22: Option<f64>,
    }

    /// A body of water while the pumped lines stand still.
    BodyFact {
        /// The vessels.
        vessels: Vec<String>,
        /// Water in them.
        volume_l: f64,
        /// Heaters in them, at full power.
        heaters_w: f64,
        /// Rise an hour with its heaters on.
        rise_k_h: f64,
        /// Settles at in the coldest climate with its heaters on full.
        settles_c: f64,
    }

    /// A battery.
    BatteryFact {
        /// The supply.
        supply: String,
        /// Usable energy, new.
        usable_wh: f64,
        /// Draw with the mains out and a full battery.
        load_w: f64,
        /// Lasts, new.
        hours: Option<f64>,
        /// Lasts, aged.
        hours_aged: Option<f64>,
        /// Energy that the unattended time needs.
        need_wh: f64,
    }

    /// A pair of thresholds or a setpoint against the step of its probe.
    DeadbandFact {
        /// Actuator that the rule drives.
        actuator: String,
        /// The signal.
        signal: String,
        /// The sensor behind it.
        sensor: String,
        /// Between start and stop, in `unit`.
        band: f64,
        /// Step of the reading, in `unit`.
        step: f64,
        /// Noise (one standard deviation), in `unit`.
        noise: f64,
        /// Unit of both.
        unit: String,
    }

    /// Oxygen in one state.
    OxygenFact {
        /// "running", "return off", "battery", "still", ...
        state: String,
        /// Demand.
        demand_mg_l_h: f64,
        /// Exchange.
        kla_per_h: f64,
        /// Saturation.
        saturation_mg_l: f64,
        /// Start.
        start_mg_l: f64,
        /// Settles at. None: falls to nothing.
        settles_mg_l: Option<f64>,
        /// Hours to 4 mg/L.
        hours_to_4: Option<f64>,
        /// Hours to 3 mg/L.
        hours_to_3: Option<f64>,
        /// With heavy demand and little exchange: settles at.
        heavy_settles_mg_l: Option<f64>,
        /// Hours to 4 mg/L, heavy.
        heavy_hours_to_4: Option<f64>,
        /// Hours to 3 mg/L, heavy.
        heavy_hours_to_3: Option<f64>,
    }

    /// Everything that can run runs.
    EverythingOnFact {
        /// All reservoirs in the tank.
        dosed_l: f64,
        /// Hours until the last is empty.
        hours: f64,
        /// Salinity after it.
        salinity: f64,
        /// Alkalinity after it.
        alkalinity_dkh: f64,
        /// pH (NBS) after it, upper bound.
        ph_nbs: f64,
        /// Highest level among the tank's chambers while running.
        sump_mm: f64,
        /// Over the rim while running.
        spilled_l: f64,
        /// Over the rim when the pumps then stop.
        spilled_on_stop_l: f64,
        /// All heaters on without their own thermostats in the warmest room: settles at. None without a climate.
        settles_c: Option<f64>,
        /// With the heaters' own thermostats.
        settles_by_dials_c: Option<f64>,
    }

    /// One row of the de-energised table.
    DeEnergisedFact {
        /// The actuator.
        actuator: String,
        /// "NO", "NC" or "always on".
        contact: String,
        /// While the board is dead.
        board_dead: String,
        /// While the card or bus of its contact is dead.
        rail_dead: String,
        /// While the mains are out.
        mains_out: String,
        /// When the mains are back.
        mains_back: String,
        /// State while tripped, and how a trip resets.
        tripped: String,
        /// What is bad about it; empty: nothing.
        danger: String,
    }

    /// A mark below which a part is bare or dry.
    MarkFact {
        /// The actuator.
        actuator: String,
        /// Its vessel.
        vessel: String,
        /// The mark.
        mark_mm: f64,
        /// Water at the design point.
        running_mm: f64,
        /// After the pumps stop.
        stopped_mm: f64,
        /// Lowest water while it may be energised.
        lowest_mm: f64,
        /// Water between running level and mark.
        to_mark_l: f64,
        /// Hours of evaporation to the mark without top-off (nominal, largest climate). None: evaporation does not show there.
        hours_to_mark: Option<f64>,
        /// The same at 40 % more evaporation.
        hours_to_mark_worst: Option<f64>,
    }

    /// One way to harm and the time it takes.
    HoursFact {
        /// What happens.
        what: String,
        /// What breaks.
        harm: String,
        /// Hours to it.
        hours: f64,
        /// Hours until a person is there, unattended time.
        person_h: f64,
    }
}
