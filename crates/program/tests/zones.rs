//! Local time against the `jiff` crate and the IANA database it carries: an implementation that shares nothing with ours.
#![allow(clippy::unwrap_used)]

use jiff::Timestamp;
use jiff::tz::TimeZone;
use program::zone::{Zone, ZoneError};

/// 2000-01-01T00:00:00Z.
const EPOCH: i64 = 946_684_800;

/// Zones and the POSIX rule that ends their files in the IANA database today; each with a year from which it has held.
const ZONES: [(&str, &str, i16); 12] = [
    ("Europe/Berlin", "CET-1CEST,M3.5.0,M10.5.0/3", 2000),
    ("Europe/Dublin", "IST-1GMT0,M10.5.0,M3.5.0/1", 2000),
    ("America/New_York", "EST5EDT,M3.2.0,M11.1.0", 2008),
    ("America/St_Johns", "NST3:30NDT,M3.2.0,M11.1.0", 2012),
    ("America/Santiago", "<-04>4<-03>,M9.1.6/24,M4.1.6/24", 2024),
    ("America/Nuuk", "<-02>2<-01>,M3.5.0/-1,M10.5.0/0", 2025),
    ("Australia/Sydney", "AEST-10AEDT,M10.1.0,M4.1.0/3", 2009),
    ("Australia/Lord_Howe", "<+1030>-10:30<+11>-11,M10.1.0,M4.1.0", 2009),
    ("Asia/Kathmandu", "<+0545>-5:45", 2000),
    ("Asia/Jerusalem", "IST-2IDT,M3.4.4/26,M10.5.0", 2014),
    ("Pacific/Chatham", "<+1245>-12:45<+1345>,M9.5.0/2:45,M4.1.0/3:45", 2009),
    ("Pacific/Kiritimati", "<+14>-14", 2000),
];

fn assert_same(zone: &Zone, outside: &TimeZone, name: &str, unix: i64) {
    let ours = zone.local((unix - EPOCH) as u32);
    let theirs = outside.to_datetime(Timestamp::from_second(unix).unwrap());
    let time = theirs.time();
    let second = u32::from(time.hour().unsigned_abs()) * 3_600
        + u32::from(time.minute().unsigned_abs()) * 60
        + u32::from(time.second().unsigned_abs());
    assert_eq!(ours.second_of_day, second, "{name} at {unix} ({theirs})");
    let weekday = theirs.weekday().to_sunday_zero_offset().unsigned_abs();
    assert_eq!(ours.weekday, weekday, "{name} at {unix} ({theirs})");
    assert_eq!(
        ours.day_of_year + 1,
        theirs.date().day_of_year().unsigned_abs(),
        "{name} at {unix} ({theirs})"
    );
}

#[test]
fn local_time_is_that_of_the_iana_database() {
    for (name, rule, from_year) in ZONES {
        let zone = Zone::parse(rule).unwrap();
        let outside = TimeZone::get(name).unwrap();
        let start = jiff::civil::date(from_year + 1, 1, 1).to_zoned(TimeZone::UTC).unwrap();
        let end = jiff::civil::date(2037, 12, 31).to_zoned(TimeZone::UTC).unwrap();
        let end = end.timestamp().as_second();
        let mut unix = start.timestamp().as_second();
        while unix < end {
            assert_same(&zone, &outside, name, unix);
            unix += 6 * 3_600 + 17;
        }
        for change in outside.following(start.timestamp()) {
            let at = change.timestamp().as_second();
            if at > end {
                break;
            }
            for second in [-7_201, -3_600, -1, 0, 1, 3_599, 3_600, 7_200] {
                assert_same(&zone, &outside, name, at + second);
            }
        }
    }
}

/// Within `steady_for_s` nothing changes but the seconds, which is what the VM's cache stands on.
#[test]
fn steady_means_steady() {
    for (_, rule, _) in ZONES {
        let zone = Zone::parse(rule).unwrap();
        let mut utc = 0_u32;
        while utc < 900_000_000 {
            let here = zone.local(utc);
            for later in [1, here.steady_for_s / 2, here.steady_for_s - 1] {
                let there = zone.local(utc + later);
                let same = (there.weekday, there.day_of_year, there.second_of_day);
                if later < here.steady_for_s {
                    assert_eq!(same, (here.weekday, here.day_of_year, here.second_of_day + later));
                }
            }
            utc += here.steady_for_s;
            assert!(here.steady_for_s > 0);
        }
    }
}

#[test]
fn zones_stand_in_programs_as_written() {
    for (name, rule, _) in ZONES {
        let zone = Zone::parse(rule).unwrap();
        let mut program = program::Assembler::new(program::assembler::Header {
            wiring_crc: 0,
            period_ms: 1_000,
            n_number_inputs: 0,
            n_bit_inputs: 0,
            longest_hand_ms: 0,
            zone,
            wide: false,
        });
        program.number(program::Op::Constant(1));
        let bytes = program.finish().unwrap();
        assert_eq!(program::Program::validate(&bytes).unwrap().zone(), zone, "{name}");
    }
}

#[test]
fn rules_that_cannot_be_held_are_refused_by_name() {
    for (rule, error) in [
        ("", ZoneError::Form),
        ("CET", ZoneError::Form),
        ("CET-1CEST", ZoneError::Form),
        ("CET-1CEST,M13.1.0,M10.5.0", ZoneError::Form),
        ("CET-1CEST,M3.5.0,M10.5.0/3x", ZoneError::Form),
        ("CET-1CEST,J60,J300", ZoneError::DayOfYear),
        ("LMT-0:53:28", ZoneError::Offset),
        ("XXX-16", ZoneError::Offset),
    ] {
        assert_eq!(Zone::parse(rule), Err(error), "{rule}");
    }
}
