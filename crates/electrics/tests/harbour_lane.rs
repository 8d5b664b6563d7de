//! Harbour Lane's complete electrics: they fit, nothing is left open, each wire is traceable; on a smaller board the reason in words.

use electrics::assign::{self, Outcome};
use electrics::harness;
use system::System;

fn harbour_lane() -> System {
    let path =
        std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples/harbour-lane/system.toml");
    let file = system::load_file(&path);
    file.loaded.system.unwrap_or_else(|| panic!("{:#?}", file.loaded.diagnostics))
}

#[test]
fn it_fits_and_every_finding_is_known() {
    let system = harbour_lane();
    let checked = electrics::check(&system, None);
    let plan = electrics::plan_of(&checked.outcome).expect("it fits on the small board");
    assert!(assign::verify(&system, plan).is_empty());
    for finding in &checked.findings {
        println!("{:?} {}: {} | {:?}", finding.level, finding.id, finding.message, finding.notes);
    }
    println!("{:#?}", checked.facts.supplies);
    println!("{:?} {:?} {} W", checked.facts.i2c, checked.facts.inside_c, checked.facts.heat_w);
    assert!(checked.findings.iter().all(|f| f.level < system::Level::Error), "{:#?}", checked.findings);
}

#[test]
fn every_wire_has_two_ends_a_number_and_a_place_on_a_rung() {
    let system = harbour_lane();
    let Outcome::Fits(plan) = assign::plan(&system, None) else { panic!("it fits") };
    let harness = harness::harness(&system, &plan);
    let mut drawn = vec![0; harness.wires.len()];
    for run in &harness.runs {
        assert_eq!(run.stops.len(), run.wires.len() + 1, "{}", run.title);
        for (i, wire) in run.wires.iter().enumerate() {
            drawn[*wire] += 1;
            let wire = &harness.wires[*wire];
            assert_eq!((wire.from.item, &wire.from.name), (run.stops[i].item, &run.stops[i].leaves));
            assert_eq!((wire.to.item, &wire.to.name), (run.stops[i + 1].item, &run.stops[i + 1].enters));
        }
        run.stops.iter().flat_map(|stop| &stop.stubs).for_each(|wire| drawn[*wire] += 1);
    }
    assert!(drawn.iter().all(|n| *n == 1), "each wire is drawn once");
    // Mains wires and low-voltage wires never share a terminal.
    for a in &harness.wires {
        for b in &harness.wires {
            if a.function.is_mains() != b.function.is_mains() {
                for (x, y) in [(&a.from, &b.from), (&a.from, &b.to), (&a.to, &b.to)] {
                    assert!(x != y, "{} and {} meet at {}", a.id, b.id, harness.terminal(x));
                }
            }
        }
    }
    // A contact or coil terminal takes one wire; only bars and buses take more.
    let mut n_at = std::collections::BTreeMap::new();
    for wire in &harness.wires {
        for end in [&wire.from, &wire.to] {
            if harness.items[end.item].kind == harness::ItemKind::Fuse {
                *n_at.entry(harness.terminal(end)).or_insert(0) += 1;
            }
        }
    }
    assert!(n_at.values().all(|n| *n == 1), "{n_at:?}");
    assert!(!harness::cut_list(&harness).is_empty() && !harness::bill(&system, &harness).is_empty());
    let steps = harness::checkout(&system, &harness);
    assert!(steps.windows(2).all(|pair| pair[0].stage <= pair[1].stage), "the order is the safety of it");
}

/// The netlist joins what the wires join: no net has both a mains and a low-voltage terminal.
#[test]
fn the_netlist_keeps_mains_and_low_voltage_apart() {
    let system = harbour_lane();
    let Outcome::Fits(plan) = assign::plan(&system, None) else { panic!("it fits") };
    let harness = harness::harness(&system, &plan);
    for (name, terminals) in harness::nets(&harness) {
        let mut sides: Vec<bool> = (harness.wires.iter())
            .filter(|wire| terminals.contains(&wire.from))
            .map(|wire| wire.function.is_mains())
            .collect();
        sides.dedup();
        assert!(sides.len() <= 1, "{name}: {terminals:?}");
    }
    let text = harness::kicad(&harness);
    assert_eq!(text.matches('(').count(), text.matches(')').count());
    assert!(text.contains("(node (ref \"controller\") (pin \"D6\"))"), "return pump's command is on PD6");
}

/// On a board with fewer pins: a smallest set in words. The free pins of the ATmega328P are too few without its expanders.
#[test]
fn without_its_expander_the_reason_is_told_in_parts() {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../examples/harbour-lane/does-not-fit.toml");
    let file = system::load_file(&path);
    let system = file.loaded.system.unwrap_or_else(|| panic!("{:#?}", file.loaded.diagnostics));
    let Outcome::DoesNotFit(conflict) = assign::plan(&system, None) else { panic!("it must not fit") };
    println!("{}", conflict.text());
    assert_eq!(conflict.wishes.len(), conflict.places.len() + 1);
    assert!(conflict.mend.is_some_and(|mend| mend.n_parts >= 1));
}

/// To the large board: what moves and what must be tested again.
#[test]
fn moving_to_another_board_lists_wires_and_tests() {
    let system = harbour_lane();
    let Outcome::Fits(plan) = assign::plan(&system, None) else { panic!("it fits") };
    let rewiring = assign::rewiring(&system, &plan, "ATmega2560").expect("the large board has room");
    assert_eq!(rewiring.moved.len(), rewiring.tests.len());
    assert!(rewiring.tests.iter().any(|test| test.contains("`return_pump`")));
}

/// Every example is fitted whole, and none has an electrical error left.
#[test]
fn all_examples_are_fitted() {
    for name in ["desk-60l", "raceway"] {
        let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples");
        let file = system::load_file(&root.join(name).join("system.toml"));
        let system = file.loaded.system.unwrap_or_else(|| panic!("{name}: {:#?}", file.loaded.diagnostics));
        let checked = electrics::check(&system, None);
        for finding in &checked.findings {
            println!("{name} {:?} {}: {}", finding.level, finding.id, finding.message);
        }
        assert!(electrics::plan_of(&checked.outcome).is_some(), "{name}");
        assert!(checked.findings.iter().all(|f| f.level < system::Level::Error), "{name}");
    }
}

/// What an S-expression is made of.
#[derive(Debug)]
enum Sexp {
    Text(String),
    List(Vec<Sexp>),
}

/// Reads one expression; `at` is behind it then. KiCad's file formats: lists in parentheses, words bare or in quotes with a backslash
/// before a quote or backslash, white space between.
fn sexp(text: &[char], at: &mut usize) -> Sexp {
    while text[*at].is_whitespace() {
        *at += 1;
    }
    if text[*at] == '(' {
        *at += 1;
        let mut items = vec![];
        loop {
            while text[*at].is_whitespace() {
                *at += 1;
            }
            if text[*at] == ')' {
                *at += 1;
                return Sexp::List(items);
            }
            items.push(sexp(text, at));
        }
    }
    let mut word = String::new();
    if text[*at] == '"' {
        *at += 1;
        while text[*at] != '"' {
            *at += usize::from(text[*at] == '\\');
            word.push(text[*at]);
            *at += 1;
        }
        *at += 1;
    } else {
        while !text[*at].is_whitespace() && !"()\"".contains(text[*at]) {
            word.push(text[*at]);
            *at += 1;
        }
    }
    Sexp::Text(word)
}

impl Sexp {
    fn items(&self) -> &[Sexp] {
        let Sexp::List(items) = self else { panic!("{self:?} is no list") };
        items
    }
    fn text(&self) -> &str {
        let Sexp::Text(text) = self else { panic!("{self:?} is no text") };
        text
    }
    /// The lists under this one that begin with a word.
    fn all(&self, word: &str) -> Vec<&Sexp> {
        let begins = |item: &&Sexp| matches!(item, Sexp::List(inner) if inner.first().is_some_and(|first| first.text() == word));
        self.items().iter().filter(begins).collect()
    }
    /// The text of the one list `(word text)`.
    fn value(&self, word: &str) -> &str {
        let all = self.all(word);
        assert_eq!(all.len(), 1, "one `{word}` in {self:?}");
        all[0].items()[1].text()
    }
}

/// Read back as KiCad's netlist of version E: `(export (version "E") (design ...) (components (comp (ref) (value))) (nets (net (code) (name)
/// (node (ref) (pin)))))`. Every node names a component, no pin is in two nets, and the ends of each wire are in one net.
#[test]
fn the_netlist_reads_back_as_s_expressions() {
    let system = harbour_lane();
    let Outcome::Fits(plan) = assign::plan(&system, None) else { panic!("it fits") };
    let harness = harness::harness(&system, &plan);
    let text: Vec<char> = harness::kicad(&harness).chars().collect();
    let mut at = 0;
    let export = sexp(&text, &mut at);
    assert!(text[at..].iter().all(|c| c.is_whitespace()), "one expression is the whole file");
    assert_eq!((export.items()[0].text(), export.value("version")), ("export", "E"));
    let components: Vec<&str> =
        export.all("components")[0].all("comp").iter().map(|c| c.value("ref")).collect();
    let mut net_of = std::collections::BTreeMap::new();
    for net in export.all("nets")[0].all("net") {
        for node in net.all("node") {
            let (reference, pin) = (node.value("ref"), node.value("pin"));
            assert!(components.contains(&reference), "{reference} is a component");
            let before = net_of.insert((reference.to_owned(), pin.to_owned()), net.value("code").to_owned());
            assert!(before.is_none(), "{reference}:{pin} is in one net");
        }
    }
    for wire in &harness.wires {
        let net =
            |end: &harness::Terminal| &net_of[&(harness.items[end.item].name.clone(), end.name.clone())];
        assert_eq!(net(&wire.from), net(&wire.to), "{}", wire.id);
    }
}

/// All that is bought stands in the bill once: each item but the house's outlets, each connector; the total is that of the lines.
#[test]
fn the_bill_has_every_part_and_its_prices() {
    let system = harbour_lane();
    let Outcome::Fits(plan) = assign::plan(&system, None) else { panic!("it fits") };
    let harness = harness::harness(&system, &plan);
    let bill = harness::bill(&system, &harness);
    for item in harness.items.iter().filter(|item| item.kind != harness::ItemKind::Outlet) {
        let n =
            bill.iter().filter(|line| line.title == item.title && line.names.contains(&item.name)).count();
        assert_eq!(n, 1, "{}", item.name);
    }
    let connectors: usize =
        bill.iter().filter(|line| line.title.starts_with("Connector: ")).map(|line| line.n).sum();
    assert_eq!(connectors, harness::connectors(&system, &harness).len());
    // Every price of the file is in it: the sum of all `price = ` of [fitting].
    let root =
        std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples/harbour-lane/system.toml");
    let text = std::fs::read_to_string(root).expect("the example");
    let prices = text.lines().filter_map(|line| line.split("price = ").nth(1));
    let sum: f64 = prices.filter_map(|rest| rest.trim_end_matches([' ', '}']).parse::<f64>().ok()).sum();
    let total: f64 = bill.iter().filter_map(|line| line.price).sum();
    assert!(sum > 1000.0 && (total - sum).abs() < 1e-9, "{total} of {sum}");
}

/// The cautions are the first steps of the checkout, before anything is touched.
#[test]
fn the_checkout_begins_with_the_cautions() {
    let system = harbour_lane();
    let Outcome::Fits(plan) = assign::plan(&system, None) else { panic!("it fits") };
    let steps = harness::checkout(&system, &harness::harness(&system, &plan));
    let first: Vec<&str> =
        steps.iter().take(harness::CAUTIONS.len()).map(|step| step.text.as_str()).collect();
    assert_eq!(first, harness::CAUTIONS);
}
