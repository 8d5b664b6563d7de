//! Proof tests and upkeep for the page.

use care::proof::{Tolerated, tests};
use care::tasks::usual;
use report::ListTable;
use system::System;

pub(super) fn table(title: &str, heads: &[&str], rows: Vec<Vec<String>>) -> ListTable {
    let heads = heads.iter().map(|&head| head.to_owned()).collect();
    ListTable { title: title.to_owned(), heads, rows }
}

/// Proof tests with their reckoning, and maintenance.
pub fn care(system: &System) -> Vec<ListTable> {
    let mut tests = tests(system, &Tolerated::default());
    tests.sort_by_key(|test| test.interval_days);
    let proof = tests.iter().map(|test| {
        let numbered = test.steps.iter().enumerate();
        let steps: Vec<String> = numbered.map(|(n, step)| format!("{}. {}.", n + 1, step.text)).collect();
        let caution = test.caution.map_or(String::new(), |caution| format!(" Caution: {caution}."));
        vec![
            format!("{} days", test.interval_days),
            test.title.clone(),
            format!("{}{caution}", steps.join(" ")),
            test.formula(),
            format!("λ: {}. D: {}.", test.failure.source, test.demand.source),
            String::new(),
        ]
    });
    let tasks = usual(system);
    let upkeep = tasks.iter().map(|task| vec![task.every.to_string(), task.title.clone(), task.how.clone()]);
    let list = vec![
        table(
            "Proof tests: each protection tried before it is needed",
            &["Every", "Test", "How", "Reckoning", "From", "Done: day, who"],
            proof.collect(),
        ),
        table("Upkeep", &["When", "Task", "How"], upkeep.collect()),
    ];
    list.into_iter().filter(|list| !list.rows.is_empty()).collect()
}
