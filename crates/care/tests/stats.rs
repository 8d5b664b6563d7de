//! Lines, intervals and Student's t against scipy, statsmodels and the NIST dataset Norris (tests/reference/care).

use care::stats::{FitError, Line, mean95, outlier, student_t};
use checks::{Table, assert_abs, assert_rel};

#[test]
fn student_by_scipy() {
    for row in Table::load("care/student_t").rows() {
        let got = student_t(row.f64("confidence"), row.f64("dof") as usize);
        assert_rel(got, row.f64("t"), 1e-9, &row.place());
    }
    assert_eq!(student_t(0.95, 0), f64::INFINITY);
}

#[test]
fn norris_by_nist() {
    let table = Table::load("care/norris");
    let points: Vec<(f64, f64)> = table.rows().map(|r| (r.f64("x"), r.f64("y"))).collect();
    let line = Line::fit(&points, 0.0).expect("a line");
    // Certified values of the dataset, in the table's first line.
    assert_rel(line.slope, 1.002_116_818_020_45, 1e-12, "slope");
    assert_rel(line.at(0.0).value, -0.262_323_073_774_029, 1e-9, "intercept");
    assert_rel(line.residual_sd, 0.884_796_396_144_373, 1e-11, "residual sd");
    let t = student_t(0.95, 34);
    assert_rel(line.slope95().half95 / t, 0.429_796_848_199_937e-3, 1e-9, "sd of the slope");
    assert_rel(line.at(0.0).half95 / t, 0.232_818_234_301_152, 1e-9, "sd of the intercept");
}

fn points_of(table: &str, case: &str) -> Vec<(f64, f64)> {
    Table::load(table).rows_where("case", case).iter().map(|r| (r.f64("x"), r.f64("y"))).collect()
}

#[test]
fn lines_by_statsmodels() {
    for row in Table::load("care/line_fits").rows() {
        let points = points_of("care/line_points", row.str("case"));
        let line = Line::fit(&points, 0.0).expect("a line");
        let place = row.place();
        assert_rel(line.slope, row.f64("slope"), 1e-9, &place);
        assert_rel(line.slope95().low(), row.f64("slope_low"), 1e-9, &place);
        assert_rel(line.slope95().high(), row.f64("slope_high"), 1e-9, &place);
        assert_rel(line.residual_sd, row.f64("residual_sd"), 1e-9, &place);
        let (mean, next) = (line.at(row.f64("at")), line.next_at(row.f64("at")));
        assert_rel(mean.value, row.f64("mean"), 1e-9, &place);
        assert_abs(mean.low(), row.f64("mean_low"), 1e-8, &place);
        assert_abs(mean.high(), row.f64("mean_high"), 1e-8, &place);
        assert_abs(next.low(), row.f64("new_low"), 1e-8, &place);
        assert_abs(next.high(), row.f64("new_high"), 1e-8, &place);
    }
}

#[test]
fn stretches_by_statsmodels() {
    let all = Table::load("care/segment_points");
    for row in Table::load("care/segment_fits").rows() {
        let mut stretches: Vec<Vec<(f64, f64)>> = vec![];
        for point in all.rows_where("case", row.str("case")) {
            let segment = point.f64("segment") as usize;
            stretches.resize(stretches.len().max(segment + 1), vec![]);
            stretches[segment].push((point.f64("x"), point.f64("y")));
        }
        let parts: Vec<&[(f64, f64)]> = stretches.iter().map(Vec::as_slice).collect();
        let line = Line::fit_stretches(&parts, 0.0).expect("a line");
        assert_rel(line.slope, row.f64("slope"), 1e-9, &row.place());
        assert_rel(line.slope95().low(), row.f64("slope_low"), 1e-8, &row.place());
        assert_rel(line.slope95().high(), row.f64("slope_high"), 1e-8, &row.place());
        assert_rel(line.residual_sd, row.f64("residual_sd"), 1e-9, &row.place());
    }
}

/// The worst point of each case is statsmodels' worst; a planted mistake is found, honest scatter is not.
#[test]
fn a_mistyped_test_is_found() {
    for row in Table::load("care/line_fits").rows().filter(|r| r.f64("worst") > 0.0 || r.f64("p") < 1.0) {
        let points = points_of("care/line_points", row.str("case"));
        let found = outlier(&points);
        let is_beyond = row.f64("p") * points.len() as f64 * 1.0 < 0.05 && points.len() >= 5;
        assert_eq!(found.is_some(), is_beyond, "{}", row.place());
    }
    let mut points: Vec<(f64, f64)> =
        (0..8).map(|k| (f64::from(k), 8.0 - 0.4 * f64::from(k) + 0.02 * f64::from(k % 3))).collect();
    points[3].1 += 2.0;
    assert_eq!(outlier(&points).map(|o| o.index), Some(3));
}

#[test]
fn what_gives_no_line_says_why() {
    assert_eq!(Line::fit(&[(1.0, 2.0)], 0.0), Err(FitError::TooFew));
    assert_eq!(Line::fit(&[(1.0, 2.0), (1.0, 3.0)], 0.0), Err(FitError::NoSpread));
    assert_eq!(Line::fit(&[(1.0, f64::NAN), (2.0, 3.0)], 0.0), Err(FitError::NotFinite));
    let two = Line::fit(&[(0.0, 8.0), (4.0, 6.0)], 0.0).expect("two points make a line");
    assert_eq!((two.slope, two.slope95().half95), (-0.5, f64::INFINITY));
    // With a known scatter two points do have an interval: sd sqrt(2)/4 times 1.96.
    let known = Line::fit(&[(0.0, 8.0), (4.0, 6.0)], 0.1).expect("a line");
    assert_abs(known.slope95().half95, 1.959_964 * 0.1 * 2.0_f64.sqrt() / 4.0, 1e-6, "known scatter");
    assert_eq!(mean95(&[]), None);
}

#[test]
fn a_falling_line_meets_its_limit() {
    let points: Vec<(f64, f64)> = (0..6).map(|k| (f64::from(k) * 30.0, 99.0 - f64::from(k) * 1.5)).collect();
    let line = Line::fit(&points, 0.5).expect("a line");
    let out = line.reaches(85.0, 150.0, 4000.0);
    // 99 - 0.05 d = 85 at day 280.
    assert_abs(out.expected.expect("met"), 280.0, 0.01, "expected");
    assert!(out.earliest < out.expected && out.expected < out.latest, "{out:?}");
    assert_eq!(line.reaches(85.0, 150.0, 200.0).expected, None);
}

proptest::proptest! {
    #[test]
    fn any_points_give_a_line_or_a_reason(points in proptest::collection::vec((-1e6f64..1e6, -1e6f64..1e6), 0..12)) {
        if let Ok(line) = Line::fit(&points, 0.0) {
            proptest::prop_assert!(line.slope.is_finite() && line.residual_sd >= 0.0);
            let _ = line.reaches(0.0, 0.0, 100.0);
            let _ = outlier(&points);
        }
    }
}
