//! The electrics for the page: budgets and lists for the bench, wiring sheets and the enclosure. Nothing where the file says nothing of
//! how it is fitted.

use electrics::{Checked, plan_of};
use report::{Drawing, ListTable};
use system::System;

use crate::wiring::{self, List};

/// Sheets of the wiring and the enclosure.
pub fn sheets(system: &System, checked: &Checked) -> Vec<Drawing> {
    let Some(plan) = plan_of(&checked.outcome).filter(|_| system.electrics.is_begun) else { return vec![] };
    let harness = electrics::harness::harness(system, plan);
    let sheets = drawing::wiring::sheets(system, &harness);
    let cabinet = drawing::wiring::cabinet(system, &harness);
    (sheets.iter().chain([&cabinet]))
        .map(|page| Drawing { caption: page.title.clone(), svg: page.to_svg(Some("100%")) })
        .collect()
}

/// Lists for the bench.
pub fn lists(system: &System, checked: &Checked) -> Vec<ListTable> {
    let Some(plan) = plan_of(&checked.outcome).filter(|_| system.electrics.is_begun) else { return vec![] };
    let harness = electrics::harness::harness(system, plan);
    let all = [
        wiring::power(&checked.facts),
        wiring::loads(&checked.facts),
        wiring::places(system, plan),
        wiring::wires(&harness),
        wiring::connectors(system, &harness),
        wiring::cut(&harness),
        wiring::bill(system, &harness),
        wiring::checkout(system, &harness),
    ];
    all.into_iter().map(table).collect()
}

fn table(list: List) -> ListTable {
    ListTable {
        title: list.title.to_owned(),
        heads: list.heads.into_iter().map(str::to_owned).collect(),
        rows: list.rows,
    }
}
