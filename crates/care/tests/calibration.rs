//! Calibration against outside values: buffer tables, Nernst, electrodes, seawater; and probes with drift and noise from a seed.

use care::calibration::buffers::{Buffer, Reference};
use care::calibration::drift::{
    AsFound, Made, MadeLinear, Wanted, ageing, ageing_findings, found_linear, holding, holding_findings,
};
use care::calibration::electrode::{BufferPoint, PhError, calibrate, nernst_mv, shown_ph, voltage_mv};
use care::calibration::linear::{
    LinearError, LinearPoint, Measured, calibrate as linear, seawater_standard_ms_cm, uncorrected,
};
use care::calibration::pump::{Catch, PumpError, calibrate as pump};
use care::calibration::still::{Criterion, Stillness, judge};
use checks::{Table, assert_abs, assert_rel};
use program::calibration::{Linear, PhElectrode};

/// Seeded noise of about unit standard deviation.
struct Noise(u64);

impl Noise {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// tests/reference/ph_buffers.csv; MANIFEST.csv: 0.01 of primary, 0.02 of technical buffers.
#[test]
fn buffers_by_their_tables() {
    let table = Table::load("ph_buffers");
    for row in table.rows() {
        let buffer = match row.str("buffer") {
            "phthalate_4.00" | "phthalate_4.01" | "phthalate_4.01_old" => Buffer::Phthalate401,
            "phosphate_6.86" => Buffer::Phosphate686,
            "phosphate_7.00" => Buffer::Phosphate700,
            "borax_9.18" => Buffer::Borax918,
            "carbonate_10.01" => Buffer::Carbonate1001,
            other => panic!("{other}"),
        };
        let got = buffer.ph(row.f64("t_C")).expect("within the table");
        assert_abs(got, row.f64("pH"), buffer.half_width(), &row.place());
    }
    assert_eq!(Buffer::Borax918.ph(41.0), None);
    assert_eq!(Buffer::of_label("7"), Some(Buffer::Phosphate700));
    assert_eq!(Buffer::of_label("10.0"), Some(Buffer::Carbonate1001));
    assert_eq!(Buffer::of_label("5"), None);
}

/// tests/reference/nernst_slope.csv: ln 10 R T / F with the SI values of 2019.
#[test]
fn slope_by_nernst() {
    for row in Table::load("nernst_slope").rows() {
        assert_rel(nernst_mv(row.f64("t_C")), row.f64("slope_mV_per_pH"), 1e-7, &row.place());
    }
}

fn point(reference: Reference, temperature_c: f64, electrode_mv: f64) -> BufferPoint {
    BufferPoint { reference, temperature_c, electrode_mv, sd_mv: 0.0 }
}

/// An electrode of known slope and offset (tests/reference/ph_electrode.csv) is found again from its voltages, and the calibrated
/// reading is the true pH. 0.002: the integers of the board.
#[test]
fn electrodes_are_found_again() {
    for row in Table::load("ph_electrode").rows().filter(|r| r.f64("slope_percent") > 85.5) {
        let (slope, offset, t) = (row.f64("slope_percent"), row.f64("offset_mV"), row.f64("t_C"));
        let volts = |ph: f64| offset - slope / 100.0 * nernst_mv(t) * (ph - 7.0);
        let in_buffer = |b: Buffer| point(Reference::Table(b), t, volts(b.ph(t).expect("in the table")));
        let two = [in_buffer(Buffer::Carbonate1001), in_buffer(Buffer::Phosphate700)];
        let three = [in_buffer(Buffer::Phosphate700), in_buffer(Buffer::Phthalate401), two[0]];
        for points in [&two[..], &three[..]] {
            let made = calibrate(points).expect("sound readings");
            assert!(made.is_accepted, "{:?}", made.findings);
            assert_abs(made.slope_percent(), slope, 0.01, &row.place());
            assert_abs(made.offset_mv, offset, 0.05, &row.place());
            let shown = shown_ph(row.f64("E_mV"), t, &made.electrode);
            assert_abs(shown, row.f64("pH"), 0.002, &row.place());
            assert_abs(voltage_mv(row.f64("pH"), t, &made.electrode), row.f64("E_mV"), 0.1, &row.place());
        }
    }
}

fn ids(findings: &[system::Diagnostic]) -> Vec<&'static str> {
    let mut ids: Vec<_> = findings.iter().map(|f| f.id).collect();
    ids.sort_unstable();
    ids
}

#[test]
fn electrodes_are_judged() {
    let with = |slope: f64, offset: f64, buffers: [Buffer; 2], temperatures: [f64; 2]| {
        let points: Vec<BufferPoint> = (buffers.iter().zip(temperatures))
            .map(|(b, t)| {
                point(
                    Reference::Table(*b),
                    t,
                    offset - slope / 100.0 * nernst_mv(t) * (b.ph(t).expect("table") - 7.0),
                )
            })
            .collect();
        calibrate(&points).expect("a calibration")
    };
    let high = [Buffer::Phosphate700, Buffer::Carbonate1001];
    assert_eq!(ids(&with(98.0, 5.0, high, [25.0, 25.0]).findings), [""; 0]);
    assert_eq!(ids(&with(93.0, 5.0, high, [25.0, 25.0]).findings), ["ph-slope-ageing"]);
    assert_eq!(ids(&with(88.0, 35.0, high, [25.0, 25.0]).findings), ["ph-offset-worn", "ph-slope-worn"]);
    assert_eq!(ids(&with(98.0, 0.0, high, [20.0, 25.0]).findings), ["ph-buffers-apart"]);
    let acid = [Buffer::Phthalate401, Buffer::Phosphate700];
    assert_eq!(ids(&with(98.0, 0.0, acid, [25.0, 25.0]).findings), ["ph-buffers-below-tank"]);
    for (slope, offset, id) in [
        (80.0, 0.0, "ph-slope-low"),
        (110.0, 0.0, "ph-slope-high"),
        (-98.0, 0.0, "ph-reversed"),
        (98.0, 70.0, "ph-offset-large"),
    ] {
        let made = with(slope, offset, high, [25.0, 25.0]);
        assert!(
            !made.is_accepted && ids(&made.findings).contains(&id),
            "{slope} {offset}: {:?}",
            made.findings
        );
        assert_eq!(made.electrode, PhElectrode::IDEAL);
    }
    let apart = [
        point(Reference::Table(Buffer::Phthalate401), 25.0, 177.0),
        point(Reference::Table(Buffer::Phosphate700), 25.0, 0.0),
        point(Reference::Printed(10.2), 25.0, -181.0),
    ];
    assert_eq!(ids(&calibrate(&apart).expect("a calibration").findings), ["ph-slopes-apart"]);
    assert_eq!(calibrate(&apart[..1]), Err(PhError::Count(1)));
    assert_eq!(calibrate(&[apart[0], apart[0]]), Err(PhError::TooClose));
    assert_eq!(
        calibrate(&[apart[0], point(Reference::Printed(9.0), 25.0, f64::NAN)]),
        Err(PhError::Impossible(1))
    );
    assert_eq!(
        calibrate(&[apart[0], point(Reference::Table(Buffer::Borax918), 45.0, 0.0)]),
        Err(PhError::NoTable(1))
    );
}

/// The stated interval of pH 8.2 covers the error of buffers that are off by their widths: at least 95 of 100 (buffers uniform within
/// theirs, so more).
#[test]
fn the_interval_covers() {
    let mut noise = Noise(1);
    let n_inside = (0..2000)
        .filter(|_| {
            let buffers = [Buffer::Phosphate700, Buffer::Carbonate1001];
            let points: Vec<BufferPoint> = (buffers.iter())
                .map(|b| {
                    let truth = b.ph(25.0).expect("table") + b.half_width() * (2.0 * noise.uniform() - 1.0);
                    let mv = 4.0 - 0.97 * nernst_mv(25.0) * (truth - 7.0) + 0.3 * noise.normal();
                    BufferPoint { sd_mv: 0.3, ..point(Reference::Table(*b), 25.0, mv) }
                })
                .collect();
            let made = calibrate(&points).expect("a calibration");
            let shown = shown_ph(4.0 - 0.97 * nernst_mv(25.0) * 1.2, 25.0, &made.electrode);
            (shown - 8.2).abs() <= made.half95_at_8_2
        })
        .count();
    assert!((1900..=2000).contains(&n_inside), "{n_inside} of 2000");
}

/// What is taken as still lies within the promised distance of where the reading ends, for time constants up to a minute.
#[test]
fn stillness_keeps_its_promise() {
    let mut noise = Noise(2);
    for case in 0..150 {
        let tau = 5.0 + 55.0 * noise.uniform();
        let (start, end) = (200.0 * noise.uniform() - 100.0, 200.0 * noise.uniform() - 100.0);
        let sd = 0.1 * noise.uniform();
        let criterion = Criterion::electrode(0.05);
        let mut readings = vec![];
        let mut stood = None;
        for second in 0..900 {
            let t = f64::from(second);
            let value = end + (start - end) * (-t / tau).exp() + sd * noise.normal();
            readings.push((t, (value / 0.05).round() * 0.05));
            // A person looks now and then; every fifth second is often enough for the test.
            if second % 5 != 0 {
                continue;
            }
            if let Stillness::Still { mean, .. } = judge(&readings, &criterion) {
                stood = Some((t, mean));
                break;
            }
        }
        let (t, mean) = stood.unwrap_or_else(|| panic!("case {case} never stood"));
        // What is still to come, and the mean over the window lags by half of it: 1.5 times, noise of the mean on top.
        assert!((mean - end).abs() < 1.5 * 0.3 + 0.1, "case {case}: {mean} for {end} after {t} s, tau {tau}");
    }
}

#[test]
fn what_does_not_stand_says_so() {
    let criterion = Criterion::electrode(0.05);
    let of = |f: fn(f64) -> f64, n: i32| {
        judge(&(0..n).map(|s| (f64::from(s), f(f64::from(s)))).collect::<Vec<_>>(), &criterion)
    };
    assert!(matches!(of(|_| 1.0, 20), Stillness::TooShort { left_s } if (left_s - 41.0).abs() < 1e-9));
    assert!(
        matches!(of(|t| t * 0.05, 100), Stillness::Settling { per_minute, left_s: None } if (per_minute - 3.0).abs() < 1e-9)
    );
    assert!(matches!(of(|t| 10.0 * (t * 2.0).sin(), 100), Stillness::Noisy { .. }));
    assert!(matches!(of(|_| 1.0, 100), Stillness::Still { mean, n: 61, .. } if mean == 1.0));
    // 100 mV with a time constant of 60 s falls below 0.3 mV a minute after 60 ln(333) = 349 s.
    let falling = of(|t| 100.0 * (-t / 60.0).exp(), 150);
    assert!(
        matches!(falling, Stillness::Settling { left_s: Some(left), .. } if (150.0..300.0).contains(&left)),
        "{falling:?}"
    );
    assert!(matches!(judge(&[(0.0, f64::NAN)], &criterion), Stillness::TooShort { .. }));
}

#[test]
fn thermometers_and_cells() {
    let at = |shown: f64, truth: f64| LinearPoint { shown, truth, half_width: 0.1 };
    let ice = linear(Measured::Temperature, &[at(0.4, 0.0)], 25.0).expect("a calibration");
    assert_eq!(ice.linear, Linear { offset: -400, gain_ppm: 1_000_000 });
    let two = linear(Measured::Temperature, &[at(0.4, 0.0), at(30.1, 30.0)], 25.0).expect("a calibration");
    assert_abs(two.gain, 30.0 / 29.7, 1e-12, "gain");
    // What the board makes of the readings is the truth, to its integers.
    for (shown, truth) in [(400, 0), (30_100, 30_000)] {
        let got = program::convert::calibrated(program::Sample::good(shown), &two.linear).value;
        assert!((got - truth).abs() <= 1, "{got}");
    }
    assert_abs(uncorrected(30.0, &two.linear), 30.1, 1e-3, "back");
    let far = linear(Measured::Temperature, &[at(8.0, 0.0)], 25.0).expect("judged");
    assert_eq!((far.is_accepted, ids(&far.findings)), (false, vec!["probe-far-off"]));
    assert_eq!(
        ids(&linear(Measured::Temperature, &[at(2.0, 0.0)], 25.0).expect("judged").findings),
        ["probe-off"]
    );
    assert_eq!(
        linear(Measured::Temperature, &[at(1.0, 0.0), at(6.0, 5.0)], 25.0),
        Err(LinearError::TooClose(10.0, "K"))
    );
    assert_eq!(linear(Measured::Temperature, &[at(1.0, 0.0), at(1.0, 30.0)], 25.0), Err(LinearError::Dead));
    assert_eq!(linear(Measured::Conductivity, &[at(0.0, 53.0)], 53.0), Err(LinearError::Dead));
    assert_eq!(linear(Measured::Temperature, &[], 25.0), Err(LinearError::Count(0)));
    assert_eq!(linear(Measured::Temperature, &[at(f64::NAN, 0.0)], 25.0), Err(LinearError::Impossible(0)));

    // Seawater of salinity 35 at 25 °C conducts 53.071 mS/cm (tests/reference/seawater_conductivity.csv).
    assert_abs(seawater_standard_ms_cm(35.0, 25.0, 0.0), 53.071, 0.002, "PSS-78");
    // A fixed 2 % a kelvin makes 53.65 of it at 15 °C (handbook, section 1).
    assert_abs(seawater_standard_ms_cm(35.0, 15.0, 20_000.0), 53.65, 0.01, "compensated");
    let cell = linear(Measured::Conductivity, &[at(50.0, 53.071)], 53.0).expect("a calibration");
    assert_eq!(cell.linear, Linear { offset: 0, gain_ppm: 1_061_420 });
    let off = linear(Measured::Conductivity, &[at(30.0, 53.0)], 53.0).expect("judged");
    assert_eq!((off.is_accepted, ids(&off.findings)), (false, vec!["probe-gain-far-off"]));
    assert_eq!(
        ids(&linear(Measured::Conductivity, &[at(46.0, 53.0)], 53.0).expect("judged").findings),
        ["probe-gain-off"]
    );
}

#[test]
fn pumps() {
    let catch = |seconds: f64, millilitres: f64| Catch { seconds, millilitres };
    let made = pump(&[catch(600.0, 30.2), catch(600.0, 29.8), catch(600.0, 30.0)], 0.5, Some(3.0), Some(3.1))
        .expect("judged");
    assert_eq!((made.parameter_ul_min, ids(&made.findings)), (3000, vec![]));
    // Student: 4.303 * 0.02 / sqrt(3) mL/min; by the steps 1.96 * 0.0144 / sqrt(3) is less.
    assert_abs(made.flow_ml_min.half95, 4.302_65 * 0.02 / 3.0_f64.sqrt(), 1e-5, "interval");
    let one = pump(&[catch(60.0, 3.0)], 0.5, None, None).expect("judged");
    assert_abs(one.flow_ml_min.half95, 1.959_96 * 0.5 / 12.0_f64.sqrt(), 1e-5, "by the step alone");
    assert_eq!(ids(&one.findings), ["pump-one-catch"]);
    let worn = pump(&[catch(600.0, 26.0), catch(600.0, 24.0)], 0.5, Some(6.0), Some(3.0)).expect("judged");
    assert_eq!(ids(&worn.findings), ["pump-far-from-file", "pump-scatters", "pump-worn"]);
    assert_eq!(pump(&[], 0.5, None, None), Err(PumpError::None));
    assert_eq!(pump(&[catch(60.0, 0.0)], 0.5, None, None), Err(PumpError::Impossible(0)));
    assert_eq!(pump(&[catch(1.0, 1e9)], 0.5, None, None), Err(PumpError::TooLarge));
}

fn electrode(slope_percent: f64, offset_mv: f64) -> PhElectrode {
    let slope = (591.593_5 * slope_percent).round() as u16;
    PhElectrode { offset_uv: (offset_mv * 1e3) as i32, acid_slope_uv: slope, base_slope_uv: slope }
}

/// An electrode that loses 0.05 % of slope a day from 99 % is below 85 % at day 280; the interval holds it; told when it is near.
#[test]
fn an_ageing_electrode_is_foreseen() {
    let mut noise = Noise(3);
    let made: Vec<Made> = (0..8)
        .map(|k| {
            let day = 28.0 * f64::from(k);
            Made { day, electrode: electrode(99.0 - 0.05 * day + 0.3 * noise.normal(), 2.0 + noise.normal()) }
        })
        .collect();
    let seen = ageing(&made);
    let out = seen.out.expect("a prediction");
    assert!(out.earliest.expect("earliest") < 280.0 && out.latest.expect("latest") > 280.0, "{out:?}");
    assert!((out.expected.expect("expected") - 280.0).abs() < 40.0, "{out:?}");
    assert!(ids(&ageing_findings(&seen, 250.0)).contains(&"probe-soon-out"));
    let young = ageing(&made[..3]);
    assert!(!ids(&ageing_findings(&young, 60.0)).contains(&"probe-soon-out"));
    assert_eq!(ageing(&made[..1]).out, None);
    assert_eq!(ageing(&[]).found, []);
}

/// A cheap probe whose offset wanders 10 mV in a week is told not to hold, with its numbers; one that wanders 0.5 mV is not.
#[test]
fn a_cheap_probe_is_told() {
    let row = |wander: f64, seed: u64| {
        let mut noise = Noise(seed);
        let made: Vec<Made> = (0..7)
            .map(|k| Made { day: 7.0 * f64::from(k), electrode: electrode(97.0, wander * noise.normal()) })
            .collect();
        ageing(&made)
    };
    let cheap = ageing_findings(&row(10.0, 4), 42.0);
    let told = cheap.iter().find(|f| f.id == "probe-does-not-hold").expect("told");
    assert!(told.notes[0].contains("6 calibrations found it off"), "{told:?}");
    assert!(ids(&ageing_findings(&row(0.5, 5), 42.0)).is_empty(), "{:?}", row(0.5, 5));

    // By hand: errors 0.02, 0.02, 0.02 in 10 days each: rate 0.002 a day, no scatter, 0.1 after 50 days.
    let steady = [AsFound { days: 10.0, error: 0.02 }; 3];
    let holds = holding(&steady, 0.1).expect("held");
    assert_abs(holds.days.expect("days"), 50.0, 1e-6, "days");
    assert_abs(holds.per_week.value, 0.014, 1e-12, "a week");
    let once = [AsFound { days: 7.0, error: 0.3 }];
    assert_eq!(ids(&holding_findings(&once, &Wanted::PH)), ["probe-found-off"]);
    assert!(holding_findings(&[], &Wanted::PH).is_empty());
}

/// What each calibration of a thermometer found, by hand: an offset of 0.10 K, then of 0.25 K, is 0.15 K too low by then; a stretch of 1.02 after 1.00
/// shows 53 mS/cm as 53 / 1.02.
#[test]
fn linear_probes_are_found_off() {
    let made = |day: f64, offset: i32, gain_ppm: i32| MadeLinear { day, linear: Linear { offset, gain_ppm } };
    let row = [made(90.0, 250, 1_000_000), made(0.0, 100, 1_000_000), made(90.2, 260, 1_000_000)];
    let found = found_linear(&row, 25.0);
    assert_eq!(found.len(), 1, "two on one day are one");
    assert_abs(found[0].error, -0.15, 1e-9, "thermometer");
    assert_abs(found[0].days, 90.0, 1e-9, "days");
    let found = found_linear(&[made(0.0, 0, 1_000_000), made(30.0, 0, 1_020_000)], 53.0);
    assert_abs(found[0].error, 53.0 / 1.02 - 53.0, 1e-9, "cell");
    assert!(found_linear(&row[..1], 25.0).is_empty());
}
