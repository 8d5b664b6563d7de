//! The commented file that `tidewright new` writes from a few answers. It reads back without an error, whatever is answered.

use std::fmt::Write as _;

/// What a person says about the tank to be.
#[derive(Clone, PartialEq, Debug)]
pub struct Answers {
    /// Name of the system.
    pub name: String,
    /// Inside length, depth and height of the display, m.
    pub display: [f64; 3],
    /// Inside length, depth and height of the sump, m. None: no sump.
    pub sump: Option<[f64; 3]>,
    /// A reservoir with a pump replaces what evaporates.
    pub top_off: bool,
    /// Power of each of the two heaters, W.
    pub heater_watts: f64,
    /// Power of the light, W. None: no light.
    pub light_watts: Option<f64>,
    /// Part number of the chip on the board.
    pub chip: String,
    /// Voltage of the mains, V.
    pub mains_volts: f64,
    /// POSIX TZ string of the place.
    pub timezone: String,
    /// How long nobody is there, h.
    pub unattended_hours: f64,
}

impl Default for Answers {
    /// A 100 L tank with sump and top-off, left alone for a weekend.
    fn default() -> Self {
        let display = [0.6, 0.4, 0.45];
        Answers {
            name: "My reef".to_owned(),
            display,
            sump: Some([0.5, 0.3, 0.35]),
            top_off: true,
            heater_watts: usual_heater_watts(display),
            light_watts: Some(60.0),
            chip: "ATmega328P".to_owned(),
            mains_volts: 230.0,
            timezone: "UTC0".to_owned(),
            unattended_hours: 48.0,
        }
    }
}

/// Heat that each of two heaters should give for every litre of the display, so that one alone holds a room 8 K colder than the
/// water, W/L (common practice, no source; the audit then computes it).
const HEATER_W_PER_L: f64 = 0.9;
/// Heaters are sold in steps of this power, W.
const HEATER_STEP_W: f64 = 25.0;

/// Power to begin with for each of two heaters in a display of these inside sides in m, W.
pub fn usual_heater_watts(display: [f64; 3]) -> f64 {
    let litres: f64 = display.iter().map(|side| mm(*side) as f64 / 100.0).product();
    ((litres * HEATER_W_PER_L / HEATER_STEP_W).round() * HEATER_STEP_W).max(2.0 * HEATER_STEP_W)
}

/// Largest evaporation to be expected from an open surface, L/day/m² (dry room and fan; the audit then computes it).
const EVAPORATION_L_DAY_M2: f64 = 13.0;
/// What the battery carries: board, air pump and router, W.
const BATTERY_LOAD_W: f64 = 1.0 + 3.0 + 6.0;
/// Usable share of a lithium iron phosphate battery: 90 % depth, 92 % efficiency.
const BATTERY_USABLE: f64 = 0.83;
/// What an aged battery has left.
const BATTERY_AGED: f64 = 0.8;
/// Voltage of four lithium iron phosphate cells, V.
const BATTERY_VOLTS: f64 = 12.8;
/// Longest time that the battery is laid out for, h: beyond it somebody should come.
const BATTERY_LONGEST_H: f64 = 72.0;

/// Smallest and largest side of a tank that the starter lays out, m.
const SIDES: (f64, f64) = (0.25, 4.0);

/// Writes the file. Sizes are brought into 250 mm to 4 m a side, powers and times into what the file allows; a person then
/// edits it.
pub fn write(answers: &Answers) -> String {
    let plan = Plan::new(answers);
    let mut out = String::new();
    plan.head(&mut out);
    plan.vessels(&mut out);
    plan.passages(&mut out);
    plan.supplies(&mut out);
    plan.actuators(&mut out);
    plan.sensors(&mut out);
    plan.rules(&mut out);
    plan.alarms(&mut out);
    out
}

/// Whole millimetres of everything that is laid out.
struct Plan<'a> {
    answers: &'a Answers,
    /// Length, depth, height.
    display: [i64; 3],
    sump: Option<[i64; 3]>,
    /// Edge of the overflow, or the water line without a sump.
    crest: i64,
    /// Running level of the sump.
    sump_level: i64,
}

fn mm(side: f64) -> i64 {
    let side = if side.is_finite() { side.clamp(SIDES.0, SIDES.1) } else { SIDES.0 };
    (side * 1000.0).round() as i64
}

fn within(x: f64, from: f64, to: f64) -> f64 {
    if x.is_finite() { x.clamp(from, to) } else { from }
}

/// A text as a TOML string.
fn quoted(text: &str) -> String {
    toml_edit::Value::from(text).to_string().trim().to_owned()
}

impl<'a> Plan<'a> {
    fn new(answers: &'a Answers) -> Self {
        let display = answers.display.map(mm);
        let sump = answers.sump.map(|sides| sides.map(mm));
        Plan {
            answers,
            display,
            sump,
            crest: display[2] - 70,
            sump_level: sump.map_or(0, |sides| sides[2] / 2),
        }
    }

    fn water_line(&self) -> i64 {
        self.crest + 10
    }

    /// The vessel whose level top-off keeps, and that level.
    fn kept(&self) -> (&'static str, i64) {
        if self.sump.is_some() { ("sump", self.sump_level) } else { ("display", self.water_line()) }
    }

    /// Open surface of display and sump, m².
    fn open_m2(&self) -> f64 {
        let area = |sides: [i64; 3]| (sides[0] * sides[1]) as f64 / 1e6;
        area(self.display) + self.sump.map_or(0.0, area)
    }

    fn head(&self, out: &mut String) {
        let a = self.answers;
        let timezone = if crate::timezone::check(&a.timezone).is_ok() { a.timezone.as_str() } else { "UTC0" };
        let name = if a.name.contains('\0') { "My reef" } else { a.name.as_str() };
        let _ = write!(
            out,
            "# The whole system in one file. `tidewright audit` checks it by calculation, `tidewright fmea` breaks every part of\n\
             # it in simulation and says what would harm the animals and how many hours are left.\n\
             # Heights are inside the named vessel; the floor of the cabinet is 0. Units may be metric or US: \"380 L\", \"100 gal\".\n\
             # Lines marked \"measure\" are guesses: replace them by what your tape says. Pins are not said here: `tidewright wire` plans\n\
             # them all from nothing, `wire --lock` keeps the plan beside this file for `build`, and [wiring] fixes what you want fixed.\n\n\
             [system]\nname = {name}\nmains = \"{mains} V\"\ntimezone = {zone}\n\
             unattended = \"{hours} h\"                     # how long nobody is there\n\
             response = {{ day = \"1 h\", night = \"8 h\", weekend = \"24 h\" }}   # until somebody stands before it: a neighbour with a\n\
             # key mends more than any device\n\
             telling = {{ supply = \"battery\", through = \"router\", heartbeat = \"1 h\", from = \"medium\" }}   # the way of messages\n\n\
             [water]\ntemperature = \"25.5 degC\"\nsalinity = 35\nalkalinity = \"8 dKH\"\n\n\
             [livestock]                             # what breathes: measure or estimate\n\
             vessel = \"display\"\nfish = {{ mass = \"50 g\" }}\ncoral = {{ area = \"500 cm2\" }}\n\n\
             [[climate]]                             # the room; the first one is the usual\n\
             name = \"winter\"\nday = \"20 degC\"\nnight = \"17 degC\"\nhumidity = \"45 %\"\n\n\
             [[climate]]\nname = \"summer\"\nday = \"29 degC\"\nnight = \"25 degC\"\nhumidity = \"55 %\"\n\n\
             [[corner]]                              # what may be worse than assumed\n\
             name = \"dry_and_cold\"\nevaporation = 1.4\nwall_loss = 1.3\n\n\
             [[corner]]\nname = \"hot\"\nclimate = \"summer\"\n\n\
             [[corner]]\nname = \"many_animals\"\nrespiration = 1.5\ngas_exchange = 0.8\n\n",
            name = quoted(name),
            mains = within(a.mains_volts, 100.0, 250.0).round(),
            zone = quoted(timezone),
            hours = within(a.unattended_hours, 1.0, 1000.0).round(),
        );
    }

    fn vessels(&self, out: &mut String) {
        let [l, d, h] = self.display;
        let _ = write!(
            out,
            "# ---- water ----\n\n[[vessel]]\nname = \"display\"\nrole = \"display\"\ninside = [\"{l} mm\", \"{d} mm\", \"{h} mm\"]\n\
             glass = \"10 mm\"\nfloor = \"900 mm\"\nlevel = \"{level} mm\"\n\
             displaced = {{ volume = \"{rock:.1} L\", up_to = \"{rock_height} mm\" }}   # rock and sand: measure\n\n",
            level = self.water_line(),
            // A tenth of the water below half height.
            rock = (l * d * (h / 2)) as f64 / 1e6 * 0.1,
            rock_height = h / 2,
        );
        if let Some([l, d, h]) = self.sump {
            let _ = write!(
                out,
                "[[vessel]]\nname = \"weir_box\"\nrole = \"box\"\ninside = [\"{bl} mm\", \"{bd} mm\", \"{bh} mm\"]   # measure\n\
                 inside_of = \"display\"\nfloor = \"900 mm\"\nlevel = \"{level} mm\"\n\n\
                 [[vessel]]\nname = \"sump\"\nrole = \"sump\"\ninside = [\"{l} mm\", \"{d} mm\", \"{h} mm\"]\nglass = \"6 mm\"\n\
                 floor = \"50 mm\"\nlevel = \"{sump} mm\"\n\n",
                bl = self.box_length(),
                bd = self.display[1] / 4,
                bh = self.display[2],
                level = self.crest - 60,
                sump = self.sump_level,
            );
        }
        if self.answers.top_off {
            let _ = write!(
                out,
                "[[vessel]]\nname = \"reservoir\"\nrole = \"reservoir\"\ninside = [\"200 mm\", \"300 mm\", \"300 mm\"]   # measure\n\
                 wall = {{ thickness = \"4 mm\", material = \"acrylic\" }}\nfloor = \"50 mm\"\nfull = \"270 mm\"\ndead = \"20 mm\"\n\
                 holds = \"fresh\"\n\n"
            );
        }
    }

    fn box_length(&self) -> i64 {
        self.display[0] / 5
    }

    fn passages(&self, out: &mut String) {
        if let Some([_, _, sump_height]) = self.sump {
            let _ = write!(
                out,
                "[[passage]]\nname = \"weir\"\nkind = \"weir\"\nfrom = \"display\"\nto = \"weir_box\"\ncrest = \"{crest} mm\"\n\
                 width = \"{width} mm\"\ncomb = true\n\n\
                 [[passage]]\nname = \"drain\"\nkind = \"drain\"\nfrom = \"weir_box\"\nto = \"sump\"\ninlet = \"{inlet} mm\"\n\
                 bore = \"32 mm\"\nlength = \"1.2 m\"\nfittings_k = 3\noutlet = \"{outlet} mm\"\naeration = \"10 %\"\n\n\
                 [[passage]]\nname = \"return\"\nkind = \"pumped\"\nfrom = \"sump\"\nto = \"display\"\npump = \"return_pump\"\n\
                 head0 = \"2.5 m\"                         # from the pump's data sheet\nflow0 = \"1500 L/h\"\nintake = \"50 mm\"\n\
                 bore = \"16 mm\"\nlength = \"2 m\"\nfittings_k = 6\noutlet = \"{out} mm\"                        # below the surface\n\
                 break_hole = \"{hole} mm\"                    # breaks the siphon when the pump stops\n\n",
                crest = self.crest,
                width = self.box_length(),
                inlet = self.crest - 80,
                // Low enough to lie below the shortest display's drain, however tall the sump is.
                outlet = (sump_height * 3 / 5).min(600),
                out = self.crest - 10,
                hole = self.crest + 5,
            );
        }
        if self.answers.top_off {
            let (to, _) = self.kept();
            let rim = if to == "sump" { self.sump.map_or(0, |sides| sides[2]) } else { self.display[2] };
            let _ = write!(
                out,
                "[[passage]]\nname = \"topoff_line\"\nkind = \"line\"\nfrom = \"reservoir\"\nto = \"{to}\"\npump = \"topoff_pump\"\n\
                 flow = \"1.8 L/h\"                        # slow: a stuck float then takes hours to harm\nintake = \"20 mm\"\n\
                 outlet = \"{} mm\"                       # above the rim, so nothing can siphon\noccludes = true\n\n",
                rim + 20
            );
        }
    }

    fn supplies(&self, out: &mut String) {
        let hours = within(self.answers.unattended_hours, 1.0, BATTERY_LONGEST_H);
        let ah = (BATTERY_LOAD_W * hours / (BATTERY_VOLTS * BATTERY_USABLE * BATTERY_AGED)).ceil().max(10.0);
        let known = crate::parts::Library::builtin().chip(&self.answers.chip).map(|chip| chip.name.as_str());
        let _ = write!(
            out,
            "# ---- what feeds what: each circuit keeps one heater and one water mover ----\n\n\
             [[supply]]\nname = \"circuit_1\"\nkind = \"circuit\"\nrcd = \"30 mA\"\nfuse = \"10 A\"\n\n\
             [[supply]]\nname = \"circuit_2\"\nkind = \"circuit\"\nrcd = \"30 mA\"\nfuse = \"10 A\"\n\n\
             [[supply]]\nname = \"battery\"                  # LiFePO4 on its charger: board, air and messages without mains\n\
             kind = \"battery\"\nfed_by = \"circuit_2\"\nvolts = \"{BATTERY_VOLTS} V\"\ncapacity = \"{ah:.0} Ah\"\nusable = \"{usable:.0} %\"\n\n\
             [[supply]]\nname = \"relays\"\nkind = \"card\"\nfed_by = \"battery\"\n\n\
             [[board]]\nname = \"controller\"\nchip = \"{}\"\nsupply = \"battery\"\npower = \"1 W\"\nwatchdog = true\nwhen_dead = \"release\"\n\n",
            known.unwrap_or("ATmega328P"),
            usable = BATTERY_USABLE * 100.0,
        );
    }

    fn actuators(&self, out: &mut String) {
        let a = self.answers;
        out.push_str("# ---- what is driven ----\n\n");
        if self.sump.is_some() {
            out.push_str(
                "[[actuator]]\nname = \"return_pump\"\nkind = \"pump\"\npower = \"20 W\"\nsupply = \"circuit_1\"\nswitched_by = \"relays\"\n\
                 contact = \"NC\"                          # runs while the board is dead\nvessel = \"sump\"\nmark = \"50 mm\"\n\
                 heats = { vessel = \"sump\", share = \"95 %\" }\nmoves = \"display\"\n\n",
            );
        }
        let _ = write!(
            out,
            "[[actuator]]\nname = \"circulation\"\nkind = \"circulation\"\npower = \"8 W\"\nsupply = \"circuit_2\"\nswitched_by = \"relays\"\n\
             contact = \"NC\"\nvessel = \"display\"\nmark = \"{half} mm\"\nheats = {{ vessel = \"display\", share = \"100 %\" }}\n\
             moves = \"display\"\nexchange = \"50 L/h\"\n\n\
             [[actuator]]\nname = \"air_pump\"                 # moves and breathes while the mains are out\nkind = \"air_pump\"\npower = \"3 W\"\n\
             supply = \"battery\"\nswitched_by = \"relays\"\ncontact = \"NC\"\nvessel = \"display\"\nmoves = \"display\"\nexchange = \"{air:.0} L/h\"\n\n\
             [[actuator]]\nname = \"router\"                   # the way of messages\nkind = \"other\"\npower = \"6 W\"\nsupply = \"battery\"\nalways = true\n\n",
            half = self.crest / 2,
            // A stone renews about a third of the water an hour (assumed: kLa 0.35 per h).
            air = (self.display.iter().map(|side| *side as f64 / 100.0).product::<f64>() * 0.35).max(5.0),
        );
        // In the display both: they heat with the return stopped, and no falling sump lays them bare.
        for (n, (circuit, contact, dial)) in
            [("circuit_1", "NO", "27 degC"), ("circuit_2", "NC", "26 degC")].into_iter().enumerate()
        {
            let _ = write!(
                out,
                "[[actuator]]\nname = \"heater_{}\"\nkind = \"heater\"\npower = \"{watts} W\"\nsupply = \"{circuit}\"\nswitched_by = \"relays\"\n\
                 contact = \"{contact}\"{why}\nvessel = \"display\"\nmark = \"{half} mm\"\n\
                 own_thermostat = \"{dial}\"            # its own dial, the last guard\n\
                 heats = {{ vessel = \"display\", share = \"100 %\" }}\n\n",
                n + 1,
                watts = within(a.heater_watts, 1.0, 5000.0).round(),
                why = if contact == "NC" {
                    "                          # heats on its own dial while the board is dead"
                } else {
                    ""
                },
                half = self.crest / 2,
            );
        }
        if let Some(watts) = a.light_watts {
            let _ = write!(
                out,
                "[[actuator]]\nname = \"light\"\nkind = \"light\"\npower = \"{} W\"\nsupply = \"circuit_2\"\nswitched_by = \"relays\"\n\
                 contact = \"NO\"\nheats = {{ vessel = \"display\", share = \"35 %\" }}\nlights = \"display\"\n\n",
                within(watts, 1.0, 5000.0).round()
            );
        }
        if a.top_off {
            out.push_str(
                "[[actuator]]\nname = \"topoff_pump\"\nkind = \"dosing_pump\"\npower = \"4 W\"\nsupply = \"battery\"\nswitched_by = \"relays\"\n\
                 contact = \"NO\"\nseries = [\"float_high\"]               # in hardware: stops it whatever the board says\n\n",
            );
        }
    }

    fn sensors(&self, out: &mut String) {
        let _ = write!(
            out,
            "# ---- what is measured ----\n\n[[sensor]]\nname = \"display_temp\"\nkind = \"ds18b20\"\nvessel = \"display\"\n\
             height = \"{height} mm\"\n\n[[sensor]]\nname = \"second_temp\"              # a guard must not share its probe with what it guards\n\
             kind = \"ds18b20\"\nvessel = \"display\"\nheight = \"{second_height} mm\"\n\n\
             [[sensor]]\nname = \"leak\"\nkind = \"leak\"\n\n",
            height = self.display[2] / 2,
            second_height = self.display[2] / 3,
        );
        for (n, circuit) in ["circuit_1", "circuit_2"].into_iter().enumerate() {
            let _ = write!(
                out,
                "[[sensor]]\nname = \"mains_{}\"\nkind = \"presence\"\nof = \"{circuit}\"\n\n",
                n + 1
            );
        }
        if self.sump.is_some() {
            let _ = write!(
                out,
                "[[sensor]]\nname = \"float_display\"            # the drain is blocked: stops what fills the display\nkind = \"float\"\n\
                 vessel = \"display\"\nlow = \"{low} mm\"\nhigh = \"{high} mm\"\ntrue_when = \"above\"\nclosed_when = \"below\"\n\n",
                low = self.crest + 26,
                high = self.crest + 28,
            );
        }
        if self.answers.top_off {
            let (vessel, level) = self.kept();
            let _ = write!(
                out,
                "[[sensor]]\nname = \"float_low\"                # calls for top-off\nkind = \"float\"\nvessel = \"{vessel}\"\n\
                 low = \"{low} mm\"\nhigh = \"{high} mm\"\ntrue_when = \"below\"\nclosed_when = \"below\"\n\n\
                 [[sensor]]\nname = \"float_high\"               # stops it when the first one is stuck\nkind = \"float\"\nvessel = \"{vessel}\"\n\
                 low = \"{high_low} mm\"\nhigh = \"{high_high} mm\"\ntrue_when = \"above\"\nclosed_when = \"below\"               # a broken wire stops dosing\n\n",
                low = level - 3,
                high = level + 3,
                high_low = level + 13,
                high_high = level + 15,
            );
        }
    }

    fn rules(&self, out: &mut String) {
        out.push_str("# ---- rules: one for each actuator, each with a state for silent probes ----\n\n");
        if self.answers.top_off {
            out.push_str(
                "[[signal]]\nname = \"level_low\"                # moving water: ten seconds beyond contact debounce\n\
                 on_delay = \"10 s\"\nof = \"float_low\"\n\n",
            );
        }
        if self.sump.is_some() {
            out.push_str(
                "[[signal]]\nname = \"display_high\"\non_delay = \"20 s\"\nof = \"float_display\"\n\n\
                 [[rule]]\ndrives = \"return_pump\"\nalways = true\npermissive = \"not display_high\"\nstart_delay = \"20 s\"\nat_power_up = \"on\"\nwhen_blind = \"on\"\n\n",
            );
        }
        out.push_str(
            "[[rule]]\ndrives = \"circulation\"\nalways = true\nat_power_up = \"on\"\nwhen_blind = \"on\"\n\n\
             [[rule]]\ndrives = \"air_pump\"\nalways = true\nat_power_up = \"on\"\nwhen_blind = \"on\"\n\n\
             [[rule]]\ndrives = \"heater_1\"\nstart = \"display_temp < 25.2 degC\"\nstop = \"display_temp > 25.6 degC\"\n\
             trip = \"second_temp > 27.5 degC\"\ntrip_reset = \"3 per day below 26 degC\"\nshortest_rest = \"3 min\"\n\
             start_delay = \"60 s\"\nwhen_blind = \"off\"\n\n\
             [[rule]]                                # the second helps when the first is not enough\ndrives = \"heater_2\"\n\
             start = \"second_temp < 24.8 degC\"\nstop = \"second_temp > 25.2 degC\"\n\
             trip = \"display_temp > 27.5 degC\"\ntrip_reset = \"3 per day below 26 degC\"\nshortest_rest = \"3 min\"\n\
             start_delay = \"90 s\"\nwhen_blind = \"on\"                       # its own dial holds it\n\n",
        );
        if self.answers.light_watts.is_some() {
            out.push_str(
                "[[rule]]\ndrives = \"light\"\nschedule = \"10:00-19:00\"\npermissive = \"display_temp < 28 degC\"\nshortest_rest = \"10 min\"\n\
                 when_blind = \"off\"\n\n",
            );
        }
        if self.answers.top_off {
            let running = if self.sump.is_some() { " and not display_high and return_pump" } else { "" };
            let _ = write!(
                out,
                "[[rule]]\ndrives = \"topoff_pump\"\nwhen = \"level_low\"\npermissive = \"not float_high and not leak{running}\"\n\
                 longest_run = \"60 min\"\ndaily_volume = \"{daily:.0} L\"\nlimit = \"latches\"                     # then a person looks\n\
                 start_delay = \"15 min\"\nwhen_blind = \"off\"\n\n",
                daily = (self.open_m2() * EVAPORATION_L_DAY_M2).ceil().clamp(2.0, 40.0),
            );
        }
    }

    fn alarms(&self, out: &mut String) {
        out.push_str(
            "# ---- alarms ----\n\n[[alarm]]\nname = \"cold\"\nwhen = \"display_temp < 24 degC\"\ndelay = \"10 min\"\npriority = \"high\"\n\
             text = \"The display is getting cold\"\n\n\
             [[alarm]]\nname = \"warm\"\nwhen = \"display_temp > 27.5 degC\"\ndelay = \"10 min\"\npriority = \"high\"\n\
             text = \"The display is getting warm\"\n\n\
             [[alarm]]\nname = \"probes_apart\"\nwhen = \"apart(display_temp, second_temp) > 1.5 K or bad(display_temp) or bad(second_temp)\"\n\
             delay = \"20 min\"\npriority = \"medium\"\ntext = \"Temperature probes disagree or are silent\"\n\n\
             [[alarm]]\nname = \"water_on_floor\"\nwhen = \"leak\"\ndelay = \"5 s\"\npriority = \"high\"\ntext = \"Water where none should be\"\n\n",
        );
        out.push_str(
            "[[alarm]]\nname = \"mains_out\"\nwhen = \"not mains_1 or not mains_2\"\ndelay = \"2 min\"\npriority = \"high\"\n\
             text = \"A mains circuit is dead\"\n\n",
        );
        if self.sump.is_some() {
            out.push_str(
                "[[alarm]]\nname = \"display_too_high\"\nwhen = \"display_high\"\npriority = \"high\"\n\
                 text = \"The display does not drain: the return is stopped\"\n\n",
            );
        }
        if self.answers.top_off {
            out.push_str(
                "[[alarm]]\nname = \"topoff_stopped\"\nwhen = \"tripped(topoff_pump) or float_high\"\ndelay = \"1 min\"\npriority = \"medium\"\n\
                 text = \"Top-off stopped: look at floats and reservoir\"\n\n",
            );
        }
        out.push_str(
            "# ---- what must hold: the usual set; write [[requirement]]s of your own beside it ----\n\n[requirements]\ndefaults = true\n",
        );
    }
}
