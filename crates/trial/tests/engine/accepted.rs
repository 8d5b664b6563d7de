//! Acceptances: what they cover, when they lapse, and what they say of themselves.

use trial::{Fmea, Options, days};

use crate::small::{TEXT, fmea, quick, read, requirement, row, text};

fn entry(part: &str, mode: &str, requirement: &str, minimum: &str) -> String {
    format!(
        "\n[[accepted]]\npart = \"{part}\"\nmode = \"{mode}\"\nrequirement = \"{requirement}\"\nreason = \"for the test\"\n\
         minimum_time = \"{minimum}\"\nprocedure = \"none\"\nreview = \"2027-03-01\"\n"
    )
}

/// The welded heater, which breaks `hot` after 1.7 h and `swing` sooner, with these acceptances.
fn welded(accepted: &str, options: Options) -> Fmea {
    let system = read(&(TEXT.to_owned() + accepted));
    fmea(&system, &Options { only: Some("heater:welded".into()), ..options })
}

fn findings(fmea: &Fmea) -> Vec<&str> {
    fmea.acceptance_findings.iter().map(|d| d.id).collect()
}

/// By breach of the row: requirement and the acceptance that covers it.
fn covered(fmea: &Fmea) -> Vec<(&str, Option<usize>)> {
    let row = row(fmea, "heater", "welded");
    row.breaches.iter().map(|b| (fmea.requirements[b.requirement].0.as_str(), b.accepted)).collect()
}

#[test]
fn an_entry_covers_its_requirement_alone() {
    let fmea = welded(&entry("heater", "welded", "hot", "1 h"), quick());
    let by_name = covered(&fmea);
    assert!(by_name.contains(&("hot", Some(0))), "{by_name:?}");
    assert!(by_name.contains(&("swing", None)), "{by_name:?}");
    assert!(by_name.iter().all(|(name, by)| by.is_none() || *name == "hot"), "{by_name:?}");
    let row = row(&fmea, "heater", "welded");
    assert!(row.is_open() && row.accepted.is_none());
    assert_eq!(findings(&fmea), Vec::<&str>::new());
}

#[test]
fn a_row_is_accepted_when_all_its_breaches_are() {
    let fmea = welded(&entry("heater", "welded", "*", "0 s"), quick());
    let row = row(&fmea, "heater", "welded");
    assert!(row.broken.is_some() && !row.is_open() && row.accepted == Some(0), "{row:?}");
    // What nobody accepted stands before what somebody did.
    let system = read(&(TEXT.to_owned() + &entry("heater", "welded", "*", "0 s")));
    let all = crate::small::fmea(&system, &quick());
    let at = all.rows.iter().position(|r| r.accepted.is_some()).expect("the accepted row");
    assert!(all.rows[..at].iter().all(trial::Row::is_open));
    assert!(!all.rows[at + 1..].iter().any(trial::Row::is_open));
}

#[test]
fn an_entry_lapses_when_harm_comes_sooner() {
    let fmea = welded(&entry("heater", "welded", "hot", "3 h"), quick());
    assert!(covered(&fmea).contains(&("hot", None)));
    assert_eq!(findings(&fmea), ["acceptance-lapsed"]);
    let said = &fmea.acceptance_findings[0].message;
    assert!(said.contains("heater:welded") && said.contains("hot"), "{said}");
}

/// Warm is told at 27 °C and five minutes; 31 °C comes about 1.2 h later, 1.5 K in an hour is broken before anybody is told.
#[test]
fn an_entry_for_everything_holds_where_a_person_comes_in_time() {
    let anything = entry("*", "*", "*", "0 s");
    let slow = TEXT.replace("weekend = \"1 h\"", "weekend = \"3 h\"");
    let near = welded(&anything, quick());
    assert!(covered(&near).contains(&("hot", Some(0))), "{:?}", covered(&near));
    assert!(covered(&near).contains(&("swing", None)), "{:?}", covered(&near));
    let only = Options { only: Some("heater:welded".into()), ..quick() };
    let far = fmea(&read(&(slow + &anything)), &only);
    assert!(covered(&far).iter().all(|(_, by)| by.is_none()), "{:?}", covered(&far));
}

#[test]
fn an_entry_that_no_row_shows_is_named() {
    let fmea = welded(&entry("heater", "welded", "salinity", "0 s"), quick());
    assert_eq!(findings(&fmea), ["acceptance-unused"]);
}

#[test]
fn an_overdue_review_accepts_nothing() {
    let accepted = entry("heater", "welded", "*", "0 s");
    let on = |date: &str| welded(&accepted, Options { today: days(date), ..quick() });
    let due = on("2027-03-02");
    assert_eq!(findings(&due), ["acceptance-review-due"]);
    assert!(row(&due, "heater", "welded").is_open());
    for date in ["2027-03-01", "2026-02-28"] {
        let good = on(date);
        assert_eq!(findings(&good), Vec::<&str>::new(), "{date}");
        assert!(!row(&good, "heater", "welded").is_open(), "{date}");
    }
}

#[test]
fn dates_that_no_calendar_has_are_none() {
    for date in
        ["2026-02-31", "2026-02-29", "2026-06-31", "2026-00-10", "2026-01-00", "2026-1", "", "-1-01-01"]
    {
        assert_eq!(days(date), None, "{date}");
    }
    assert_eq!(days("2024-02-29"), days("2024-03-01").map(|d| d - 1), "a leap year by the Gregorian rule");
}

/// A corner so cold that the heater cannot hold it breaks with every part whole. It is open until somebody accepts it.
#[test]
fn what_breaks_with_nothing_wrong_can_be_accepted() {
    let cold = text(&[("power = \"400 W\"", "power = \"40 W\"")])
        + "[[climate]]\nname = \"unheated\"\nday = \"4 degC\"\nhumidity = \"50 %\"\n\
           [[corner]]\nname = \"frost\"\nclimate = \"unheated\"\n";
    let options = || {
        let mut options = Options { only: Some("float_high:".into()), ..quick() };
        options.wanted.nominal_only = false;
        options
    };
    let open = fmea(&read(&cold), &options());
    let cold_idx = requirement(&open, "cold");
    assert_eq!(open.without_fault.len(), 1, "nominal is whole");
    let it = &open.without_fault[0];
    assert_eq!((it.part.as_str(), it.mode.as_str()), ("frost", "nothing wrong"));
    assert!(it.is_open() && it.cells[cold_idx].broken_at_s.is_some());
    for (part, covers) in [("frost", true), ("nominal", false)] {
        let system = read(&(cold.clone() + &entry(part, "nothing wrong", "*", "0 s")));
        let fmea = fmea(&system, &options());
        assert_eq!(fmea.without_fault[0].is_open(), !covers, "{part}");
        assert_eq!(findings(&fmea).is_empty(), covers, "{part}: {:?}", findings(&fmea));
    }
    let elsewhere = system::load(&(cold + &entry("heater", "nothing wrong", "*", "0 s")));
    assert!(elsewhere.diagnostics.iter().any(|d| d.id == "accepted-names-nothing"));
}

#[test]
fn an_entry_for_other_corners_does_not_count() {
    let accepted = entry("heater", "welded", "*", "0 s");
    let dry = "\n[[corner]]\nname = \"dry\"\nevaporation = 1.4\n";
    let here = |corner: &str| welded(&format!("{dry}{accepted}corners = [\"{corner}\"]\n"), quick());
    assert!(!row(&here("nominal"), "heater", "welded").is_open());
    let elsewhere = here("dry");
    assert!(row(&elsewhere, "heater", "welded").is_open());
    assert_eq!(findings(&elsewhere), ["acceptance-unused"]);
}
