//! What an image takes of its chip: flash, memory, EEPROM and the time of a scan, and who takes most of it.

use program::calibration::ENTRY_LENGTH;
use program::eeprom::{BOOT_LENGTH, BOOT_RECORDS, EVENT_LENGTH, KEY_LENGTH, MARK_LENGTH, Map};
use program::wiring::NumberDriver;
use program::{Program, Sizes, cost};
use system::parts::Chip;

use super::Made;
use crate::runtime::Runtime;

/// Stack when none was measured, bytes (assumed: the deepest chain of calls with an interrupt on top).
const ASSUMED_STACK: u64 = 200;
/// Reading a DS18B20: reset, ROM command (one byte, with a ROM code nine) and scratchpad of nine bytes after its command, a reset 960 µs
/// and a bit 65 µs at least (data sheet); some thermometers of one bus are read one after the other.
const ONE_WIRE_BIT_US: u64 = 70;
const ONE_WIRE_RESET_US: u64 = 1000;

/// One thing that is used up.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Use {
    /// There is so much: bytes, or µs of a scan.
    pub total: u64,
    /// Of which so much is used.
    pub used: u64,
    /// Who uses it, the biggest first.
    pub users: Vec<User>,
    /// Part of it was not measured.
    pub is_estimate: bool,
}

/// Somebody who uses it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct User {
    /// Who.
    pub name: String,
    /// Bytes, or µs.
    pub amount: u64,
}

impl Use {
    fn new(total: u64, users: Vec<(String, u64)>, is_estimate: bool) -> Use {
        let mut users: Vec<User> = (users.into_iter().filter(|(_, amount)| *amount > 0))
            .map(|(name, amount)| User { name, amount })
            .collect();
        users.sort_by(|a, b| b.amount.cmp(&a.amount).then_with(|| a.name.cmp(&b.name)));
        let used = users.iter().map(|user| user.amount).sum();
        Use { total, used, users, is_estimate }
    }

    /// What is left; 0 when more is used than there is.
    pub fn free(&self) -> u64 {
        self.total.saturating_sub(self.used)
    }
}

/// What an image takes.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Budget {
    /// Bytes below the bootloader.
    pub flash: Use,
    /// Bytes, stack included.
    pub sram: Use,
    /// Bytes.
    pub eeprom: Use,
    /// Bytes of one program slot in EEPROM, and what the program takes of it.
    pub slot: Use,
    /// µs of a scan at its longest, of its period.
    pub scan: Use,
}

/// Memory of a program's slots: 5 bytes a number, 1 a bit, 4 a cell, 6 a hand, 2 a drive, trip, alarm or procedure (docs/control-program.md, section 9).
pub(super) fn pool_bytes(sizes: &Sizes) -> u64 {
    let of = |n: u16, bytes: u64| u64::from(n) * bytes;
    of(sizes.n_numbers, 5)
        + of(sizes.n_bits, 1)
        + of(sizes.n_cells, 4)
        + of(sizes.n_drives, 6)
        + of(n_parts(sizes), 2)
}

fn n_parts(sizes: &Sizes) -> u16 {
    sizes.n_drives + sizes.n_trips + sizes.n_alarms + sizes.n_procedures
}

impl Budget {
    pub(super) fn new(chip: &Chip, made: &Made, runtime: &Runtime, n_runtime: usize) -> Budget {
        let map = Map::for_size(chip.eeprom as usize);
        Budget {
            flash: flash(chip, made, runtime, n_runtime),
            sram: sram(chip, made, runtime),
            eeprom: eeprom(chip, map),
            slot: Use::new(
                map.map_or(0, |map| map.slot as u64),
                vec![("program".to_owned(), made.compiled.bytes.len() as u64)],
                false,
            ),
            scan: scan(made),
        }
    }
}

fn flash(chip: &Chip, made: &Made, runtime: &Runtime, n_runtime: usize) -> Use {
    let mut users: Vec<(String, u64)> =
        runtime.manifest.modules.iter().map(|module| (module.name.clone(), module.flash.into())).collect();
    let named: u64 = users.iter().map(|(_, bytes)| bytes).sum();
    // What no module has: start-up code, tables of vectors, helpers of the compiler.
    users.push(("start and helpers".to_owned(), (runtime.bytes.len() as u64).saturating_sub(named)));
    users.push(("up to the tables".to_owned(), (n_runtime - runtime.bytes.len()) as u64));
    users.push(("wiring table".to_owned(), made.tables.wiring.len() as u64));
    users.push(("golden program".to_owned(), made.tables.program.len() as u64));
    users.push(("panel table".to_owned(), made.tables.panel.len() as u64));
    users.push(("header of the tables".to_owned(), crate::tables::HEADER as u64));
    Use::new(u64::from(chip.flash).min(super::HIGHEST as u64), users, false)
}

fn sram(chip: &Chip, made: &Made, runtime: &Runtime) -> Use {
    let manifest = &runtime.manifest;
    let sizes = &made.compiled.sizes;
    let pool = pool_bytes(sizes);
    let mut users = vec![
        ("numbers of the program".to_owned(), u64::from(sizes.n_numbers) * 5),
        ("bits of the program".to_owned(), sizes.n_bits.into()),
        ("state of the program".to_owned(), u64::from(sizes.n_cells) * 4),
        ("hands".to_owned(), u64::from(sizes.n_drives) * 6),
        ("places of parts".to_owned(), u64::from(n_parts(sizes)) * 2),
        ("room for a larger program".to_owned(), u64::from(manifest.pool).saturating_sub(pool)),
    ];
    let modules = manifest.modules.iter().map(|module| (module.name.clone(), u64::from(module.sram)));
    // The pool stands in one of the modules; it is told apart above.
    let named: u64 = manifest.modules.iter().map(|module| u64::from(module.sram)).sum();
    users.extend(modules.map(|(name, bytes)| {
        let bytes = if name == POOL_MODULE { bytes.saturating_sub(manifest.pool.into()) } else { bytes };
        (name, bytes)
    }));
    let has_pool_module = manifest.modules.iter().any(|module| module.name == POOL_MODULE);
    let told = if has_pool_module { named } else { named + u64::from(manifest.pool) };
    users.push(("other variables".to_owned(), u64::from(manifest.sram).saturating_sub(told)));
    let stack = manifest.stack.map_or(ASSUMED_STACK, u64::from);
    users.push(("stack".to_owned(), stack));
    Use::new(chip.sram.into(), users, manifest.stack.is_none())
}

/// The module that the program's slots stand in.
const POOL_MODULE: &str = "vm";

fn eeprom(chip: &Chip, map: Option<Map>) -> Use {
    let Some(map) = map else { return Use::new(chip.eeprom.into(), vec![], false) };
    let users = vec![
        ("two program slots".to_owned(), 2 * map.slot as u64),
        ("boot records".to_owned(), (BOOT_RECORDS * BOOT_LENGTH) as u64),
        ("calibration and learned keys".to_owned(), (map.n_entries * ENTRY_LENGTH) as u64),
        ("retained state".to_owned(), 2 * map.kept as u64),
        ("event journal".to_owned(), (map.n_events * EVENT_LENGTH + 2 * MARK_LENGTH) as u64),
        ("network key".to_owned(), (KEY_LENGTH + 2) as u64),
        ("version of the map".to_owned(), 2),
    ];
    Use::new(chip.eeprom.into(), users, false)
}

fn scan(made: &Made) -> Use {
    let Ok(program) = Program::validate(&made.compiled.bytes) else {
        return Use::new(0, vec![], true);
    };
    let mut users: Vec<(&str, u64, u64)> = vec![];
    for (name, cycles) in cost::each_of_scan(&program) {
        match users.iter_mut().find(|(known, ..)| *known == name) {
            Some((_, n, sum)) => (*n, *sum) = (*n + 1, sum.saturating_add(cycles)),
            None => users.push((name, 1, cycles)),
        }
    }
    let mut users: Vec<(String, u64)> = (users.into_iter())
        .map(|(name, n, cycles)| {
            let name = if n > 1 { format!("{n} x {name}") } else { name.to_owned() };
            (name, cycles.div_ceil(cost::AVR_HZ / 1_000_000))
        })
        .collect();
    let thermometers = made.wiring.numbers.iter().filter_map(|input| match input.driver {
        NumberDriver::Ds18b20 { rom, .. } => Some(if rom == [0; 8] { 1 } else { 9 }),
        _ => None,
    });
    let (mut n, mut us) = (0, 0);
    for n_rom in thermometers {
        n += 1;
        us += ONE_WIRE_RESET_US + (n_rom + 1 + 9) * 8 * ONE_WIRE_BIT_US;
    }
    users.push((format!("reading {n} x ds18b20"), us));
    // The one-wire times are worked out from the data sheet, not measured.
    Use::new(program.period_ms() as u64 * 1000, users, n > 0)
}
