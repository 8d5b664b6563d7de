//! How long a plan takes: 40 signals on the smallest board, where they fit and where they do not, and what they may not carry together.
//! `cargo run --release -p electrics --example planning_time`

use std::time::{Duration, Instant};

use electrics::assign::{self, Outcome};

/// Fourteen loads of a card whose inputs take so much, fourteen contacts, six thermometers, six electrodes.
fn forty(n_expanders: usize, card: &str) -> String {
    let mut text = String::from(
        "[[board]]\nname = \"board\"\nchip = \"ATmega328P\"\n\n[[supply]]\nname = \"card\"\nkind = \"card\"\n\n",
    );
    for i in 0..14 {
        text += &format!("[[actuator]]\nname = \"a{i}\"\nkind = \"pump\"\nswitched_by = \"card\"\n\n");
        text += &format!("[[sensor]]\nname = \"f{i}\"\nkind = \"leak\"\n\n");
    }
    for i in 0..6 {
        text += &format!("[[sensor]]\nname = \"t{i}\"\nkind = \"ds18b20\"\n\n");
        text += &format!("[[sensor]]\nname = \"v{i}\"\nkind = \"ph\"\n\n");
    }
    for i in 0..n_expanders {
        text += &format!("[[device]]\nname = \"e{i}\"\nkind = \"mcp23017\"\naddress = {}\n\n", 0x20 + i);
    }
    text + &format!("[fitting]\ncard = {{ part = \"{card}\", channels = 16 }}\n")
}

fn main() {
    let cases = [
        ("fits, two expanders", forty(2, "relay_card_mains")),
        ("fits, inputs of 12 mA that fill the expanders", forty(2, "solid_state_card")),
        ("does not fit, no expander", forty(0, "relay_card_mains")),
        ("does not fit, no expander, inputs of 12 mA", forty(0, "solid_state_card")),
    ];
    for (title, text) in cases {
        let loaded = system::load(&text);
        let Some(system) = loaded.system else {
            println!("{title}: {:#?}", loaded.diagnostics);
            continue;
        };
        let mut times: Vec<Duration> = vec![];
        let mut fits = false;
        for _ in 0..50 {
            let begun = Instant::now();
            fits = matches!(assign::plan(&system, None), Outcome::Fits(_));
            times.push(begun.elapsed());
        }
        times.sort_unstable();
        println!("{title}: median {:?}, slowest {:?} of 50 (fits: {fits})", times[25], times[49]);
    }
}
