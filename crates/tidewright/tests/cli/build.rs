//! `tidewright build`, with a runtime made up for the test: what the embedded ones take changes with every compiler.

use image::hex::Memory;
use image::tables::Tables;
use program::Program;
use program::wiring::Wiring;

use crate::harness::Bench;

/// A small system, wired whole.
pub const SYSTEM: &str = r#"[system]
name = "Bucket"

[[board]]
name = "controller"
chip = "ATmega328P"

[[actuator]]
name = "heater"
kind = "heater"
contact = "NC"

[[sensor]]
name = "water_temp"
kind = "ds18b20"

[[sensor]]
name = "leak"
kind = "leak"

[[rule]]
drives = "heater"
start = "water_temp < 25 degC"
stop = "water_temp > 25.5 degC"
permissive = "not leak"
when_blind = "off"

[wiring]
water_temp = { pin = "PD4" }
leak = { pin = "PD5" }
heater = { pin = "PB0", active_low = true }
"#;

/// Bytes of the made-up runtime.
pub const N_RUNTIME: usize = 1000;

/// A runtime for a chip as two files of the bench.
pub fn own_runtime(bench: &Bench, chip: &str) {
    let bytes: Vec<u8> = (0..N_RUNTIME).map(|at| (at * 11 + 1) as u8).collect();
    let crc = program::crc::crc32(&bytes);
    let manifest = format!(
        r#"{{"chip":"{chip}","panel":true,"network":false,"compiler":"none","flash":{N_RUNTIME},"crc":{crc},"sram":700,"pool":520,"states":112,
        "watched_pins":4,"stack":150,"modules":[{{"name":"vm","flash":600,"sram":530}},{{"name":"link","flash":300,"sram":100}}]}}"#
    );
    let mut memory = Memory::default();
    memory.put(0, &bytes).expect("one piece");
    bench.file("own.json", manifest).file("own.hex", memory.write());
}

fn bench(name: &str) -> Bench {
    let bench = Bench::new(name);
    own_runtime(&bench, "ATmega328P");
    bench.file("system.toml", SYSTEM);
    bench
}

#[test]
fn the_image_is_what_the_board_expects() {
    let bench = bench("build");
    let run = bench.run(&["build", "system.toml", "--runtime", "own.json"]);
    run.ends_with(0);
    assert!(run.out.contains("Wrote system.hex") && run.out.contains("flash, bytes"), "{}", run.out);
    let image = Memory::read(&bench.read("system.hex")).expect("Intel HEX").flat();
    let found = Tables::find(&image).expect("tables");
    // The next multiple of 128 behind the runtime (docs/firmware.md).
    assert_eq!((found.at, found.is_runtime_sound), (1024, true));
    assert!(image[N_RUNTIME..1024].iter().all(|byte| *byte == 0xFF));
    let wiring = Wiring::decode(&found.tables.wiring).expect("a wiring table");
    assert_eq!((wiring.board, wiring.numbers.len(), wiring.bits.len(), wiring.outputs.len()), (1, 1, 1, 1));
    let program = Program::validate(&found.tables.program).expect("a program");
    assert_eq!(program.wiring_crc(), Wiring::crc(&found.tables.wiring));
}

#[test]
fn used_and_free_add_up_in_json() {
    let bench = bench("build-json");
    let run = bench.run(&["build", "system.toml", "--runtime", "own.json", "--format", "json"]);
    let answer = run.ends_with(0).json("tidewright.build");
    let image = Memory::read(&bench.read("system.hex")).expect("Intel HEX").flat();
    assert_eq!(answer["flash"]["used_bytes"].as_u64(), Some(image.len() as u64));
    assert_eq!(answer["chip"], "ATmega328P");
    // Chip (data sheet), less the bootloader of 512 bytes; 2048 bytes of memory: 700 of variables and 150 of stack.
    assert_eq!(answer["flash"]["total_bytes"], 32256);
    assert_eq!(answer["sram"]["used_bytes"], 850);
    assert_eq!(answer["eeprom"]["total_bytes"], 1024);
    assert_eq!(answer["slot"]["total_bytes"], 320);
    assert_eq!(answer["scan"]["total_us"], 1_000_000);
    for (what, unit) in
        [("flash", "bytes"), ("sram", "bytes"), ("eeprom", "bytes"), ("slot", "bytes"), ("scan", "us")]
    {
        let of = |key: &str| answer[what][format!("{key}_{unit}")].as_u64().expect("a number");
        assert_eq!(of("used") + of("free"), of("total"), "{what}");
        let users = answer[what]["users"].as_array().expect("users");
        let amounts: Vec<u64> = users.iter().map(|user| user[unit].as_u64().expect("a number")).collect();
        assert_eq!(amounts.iter().sum::<u64>(), of("used"), "{what}");
        assert!(amounts.is_sorted_by(|a, b| a >= b), "{what}: the biggest first");
    }
}

#[test]
fn a_program_alone_names_its_wiring() {
    let bench = bench("build-program");
    let run = bench.run(&["build", "system.toml", "--program-only", "--format", "json"]);
    let answer = run.ends_with(0).json("tidewright.build");
    let bytes = bench.read_bytes("system.tw");
    let program = Program::validate(&bytes).expect("a program");
    assert_eq!(answer["program_crc"], format!("{:08x}", program.crc()));
    assert_eq!(answer["wiring_crc"], format!("{:08x}", program.wiring_crc()));
    bench.run(&["build", "system.toml", "--program-only"]).ends_with(2);
}

#[test]
fn what_is_not_placed_is_told_in_lines_to_fill_in() {
    let bench = bench("build-not-placed");
    let without = SYSTEM.split("[wiring]").next().expect("the part before");
    bench.file("system.toml", without);
    bench.run(&["build", "system.toml", "--runtime", "own.json"]).ends_with(2).matches("build-not-placed");
    assert!(!bench.names().contains(&"system.hex".to_owned()), "nothing is written");
}

#[test]
fn a_runtime_that_is_not_there_is_told_with_its_cure() {
    let bench = bench("build-missing");
    bench.file(
        "system.toml",
        SYSTEM.replace("[system]", "[system]\nparts = \"parts.toml\"").replace("ATmega328P", "ATmega644"),
    );
    bench.file(
        "parts.toml",
        "[[chip]]\nname = \"ATmega644\"\nflash = 64512\nsram = 4096\neeprom = 2048\ncode = 200\nsource = \"test\"\n\
         pins = [\"PB0-PB7\", \"PD0-PD7\"]\n",
    );
    bench.run(&["build", "system.toml"]).ends_with(2).matches("build-no-runtime");
    // One for another chip is not taken for it.
    bench.run(&["build", "system.toml", "--runtime", "own.json"]).ends_with(2).matches("build-other-runtime");
}

#[test]
fn what_does_not_fit_is_refused() {
    let bench = bench("build-overfull");
    let manifest = bench.read("own.json");
    bench.file(
        "own.json",
        manifest.replace("\"pool\":520", "\"pool\":10").replace("\"states\":112", "\"states\":3"),
    );
    let run = bench.run(&["build", "system.toml", "--runtime", "own.json", "--format", "json"]);
    let answer = run.ends_with(2).json("tidewright.build");
    let ids: Vec<&str> =
        answer["findings"].as_array().expect("findings").iter().filter_map(|f| f["id"].as_str()).collect();
    assert_eq!(ids, ["pool-overfull", "too-much-wired"]);
}

/// Many daily volumes: more than can be kept through a reset, and a program longer than its slot.
#[test]
fn what_could_never_be_tried_on_the_board_is_refused() {
    let bench = bench("build-slot");
    let mut text = SYSTEM.split("[wiring]").next().expect("the part before").to_owned();
    let mut wiring =
        SYSTEM.split_once("[wiring]").map(|(_, rest)| format!("[wiring]{rest}")).expect("the rest");
    for i in 0..9 {
        text += &format!(
            "[[actuator]]\nname = \"lamp_{i}\"\nkind = \"light\"\n[[rule]]\ndrives = \"lamp_{i}\"\n\
             start = \"water_temp < {i} degC\"\nstop = \"water_temp > 4{i} degC\"\ndaily_run = \"{i} h 1 min\"\nwhen_blind = \"off\"\n\
             [[alarm]]\nname = \"a_{i}\"\nwhen = \"water_temp > 3{i} degC and not leak\"\ndelay = \"3{i} s\"\n"
        );
        for j in 0..3 {
            text += &format!(
                "[[alarm]]\nname = \"b_{i}_{j}\"\nwhen = \"water_temp < 1{i}.{j}5 degC and not leak\"\ndelay = \"2{j} min\"\n"
            );
        }
        let pin = ["PB1", "PB2", "PB3", "PB4", "PB5", "PC0", "PC1", "PC2", "PC3"][i];
        wiring += &format!("lamp_{i} = {{ pin = \"{pin}\" }}\n");
    }
    bench.file("system.toml", text + &wiring);
    let run = bench.run(&["build", "system.toml", "--runtime", "own.json", "--format", "json"]);
    let answer = run.ends_with(2).json("tidewright.build");
    let ids: Vec<&str> =
        answer["findings"].as_array().expect("findings").iter().filter_map(|f| f["id"].as_str()).collect();
    assert!(ids.contains(&"retained-exceeds-ring") && ids.contains(&"program-exceeds-slot"), "{ids:?}");
}

/// Each finding of building has its line in docs/build.md.
#[test]
fn the_page_lists_every_finding() {
    let page = include_str!("../../../../docs/build.md");
    for (id, meaning) in image::build::FINDINGS {
        assert!(page.contains(&format!("| `{id}` | {meaning} |")), "docs/build.md lacks `{id}`: {meaning}");
    }
    assert!(image::build::FINDINGS.is_sorted());
}

/// The folder opens in the usual IDE: a sketch of its own name, sources beside it, the tables of this system in them.
#[test]
fn a_chip_without_an_image_gets_a_sketch() {
    let bench = Bench::new("build-sketch");
    let system = SYSTEM.replace("ATmega328P", "ESP32").replace("PD4", "GPIO4").replace("PD5", "GPIO5");
    bench.file("system.toml", system.replace("PB0", "GPIO16"));
    let run = bench.run(&["build", "system.toml"]);
    run.ends_with(2);
    assert!(run.err.contains("--sketch FOLDER"), "{}", run.err);
    bench.run(&["build", "system.toml", "--sketch", "here"]).ends_with(0);
    assert!(bench.read("here/tidewright/tidewright.ino").contains("sketch_start()"));
    let array = bench.read("here/tidewright/src/tables.h");
    let bytes: Vec<u8> = array.split(['{', ',', '}']).filter_map(|word| word.trim().parse().ok()).collect();
    let found = Tables::find(&bytes).expect("tables");
    assert_eq!((found.at, found.is_runtime_sound), (0, true));
    assert_eq!(Wiring::decode(&found.tables.wiring).expect("a wiring table").board, 5);
    // What a person filled in stays, also when the rest is written anew.
    bench.file("here/tidewright/src/wifi_access.h", "#define WIFI_NAME \"tank\"\n");
    bench.run(&["build", "system.toml", "--sketch", "here"]).ends_with(2);
    bench.run(&["build", "system.toml", "--sketch", "here", "--force"]).ends_with(0);
    assert!(bench.read("here/tidewright/src/wifi_access.h").contains("tank"));
}
