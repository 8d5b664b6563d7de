//! What home-made controllers print, line by line, and the same bytes in any chunks.

use proptest::prelude::*;
use shadow::{Form, Kind, Printed, Reader, Reason, Tally, Value};

fn read(form: &Form, text: &[u8], now: Option<i64>) -> (Vec<Printed>, Tally) {
    let mut reader = Reader::from_the_beginning(form);
    let mut all = vec![];
    reader.push(text, now, &mut |printed| all.push(printed));
    reader.end(now, &mut |printed| all.push(printed));
    (all, reader.tally().clone())
}

/// Values in short: `name=value unit`.
fn short(text: &str) -> Vec<String> {
    short_by(&Form::default(), text)
}

fn short_by(form: &Form, text: &str) -> Vec<String> {
    read(form, text.as_bytes(), None).0.iter().map(word).collect()
}

fn word(printed: &Printed) -> String {
    let value = match &printed.value {
        Value::Number(number) => number.to_string(),
        Value::Word(word) => format!("'{word}'"),
        Value::Nothing => "-".to_owned(),
    };
    format!("{}={value}{}", printed.name, printed.unit.as_ref().map(|u| format!(" {u}")).unwrap_or_default())
}

#[test]
fn free_lines() {
    let cases: [(&str, &[&str]); 17] = [
        ("temp=25.3", &["temp=25.3"]),
        ("T1=25.3 T2=24.9 heater=ON", &["T1=25.3", "T2=24.9", "heater='ON'"]),
        ("Temp: 25.3 C, pH: 8.12, Heater: off", &["Temp=25.3 C", "pH=8.12", "Heater='off'"]),
        ("Water temp: 25.3 Sump level: 203 mm", &["Water temp=25.3", "Sump level=203 mm"]),
        ("Temp: 25.3 C Heater: ON", &["Temp=25.3 C", "Heater='ON'"]),
        ("temp:25.31,ph:8.12,heater:1", &["temp=25.31", "ph=8.12", "heater=1"]),
        ("t1:25.3 t2:24.9", &["t1=25.3", "t2=24.9"]),
        ("[12:03:11] INFO temp=25.3C;heater=0", &["temp=25.3 C", "heater=0"]),
        ("2026-03-01 12:00:05 temp=25.3", &["temp=25.3"]),
        ("12:00:05 Temp (°C): 25.3", &["Temp=25.3 degC"]),
        ("rssi=-71dBm load=45%", &["rssi=-71 dBm", "load=45 %"]),
        (
            "ph = 8.12 | temp = 25.3 °C | pump = \"full speed\"",
            &["ph=8.12", "temp=25.3 °C", "pump='full speed'"],
        ),
        ("temp=nan ph=--", &["temp=-", "ph=-"]),
        ("a=1,b=2,c=3", &["a=1", "b=2", "c=3"]),
        ("Heater is now ON -> relay4 := 1", &["relay4=1"]),
        ("uptime: 12:03:05 temp: 25", &["uptime='12:03:05'", "temp=25"]),
        ("http://reef/ temp=1", &["temp=1"]),
    ];
    for (line, expected) in cases {
        assert_eq!(short(line), expected, "{line}");
    }
    let comma = Form { decimal_comma: true, ..Form::default() };
    assert_eq!(short_by(&comma, "temp=25,3; ph=8,12"), ["temp=25.3", "ph=8.12"]);
}

#[test]
fn what_is_not_understood_is_counted() {
    let text = "Booting...\n# a remark\ntemp=25,3\ntemp=25.3\n{\"a\": tru\nstill alive\n[{\"n\":\"a\"}]\n";
    let (values, tally) = read(&Form::default(), text.as_bytes(), None);
    assert_eq!(values.len(), 1);
    assert_eq!((tally.n_lines, tally.n_understood, tally.n_values), (7, 1, 1), "{tally:?}");
    assert_eq!(tally.rejected[&Reason::NothingNamed].n, 2);
    assert_eq!(tally.rejected[&Reason::NothingNamed].example, "Booting...");
    assert_eq!(tally.rejected[&Reason::UnclearComma].line, 3);
    assert_eq!(tally.rejected[&Reason::Remark].n, 1);
    assert_eq!(tally.rejected[&Reason::BrokenJson].example, "{\"a\": tru");
    assert_eq!(tally.rejected[&Reason::BrokenSenml].example, "[{\"n\":\"a\"}]");
}

#[test]
fn columns() {
    let text = "time;Temp [°C];pH;heater\n2026-03-01 12:00:00;25.3;8.12;on\nWiFi lost; retrying\n2026-03-01 12:00:10;25.4;;off\n";
    let (values, tally) = read(&Form::default(), text.as_bytes(), None);
    let told: Vec<String> = values.iter().map(word).collect();
    assert_eq!(told, ["Temp=25.3 degC", "pH=8.12", "heater='on'", "Temp=25.4 degC", "pH=-", "heater='off'"]);
    // 2026-03-01 12:00:00 UTC (date -u -d '2026-03-01 12:00' +%s).
    assert_eq!(values[0].time, Some(1_772_366_400_000));
    assert_eq!(values[3].time, Some(1_772_366_410_000));
    assert_eq!(
        tally.rejected[&Reason::NothingNamed].n
            + tally.rejected.get(&Reason::OtherColumns).map_or(0, |r| r.n),
        1
    );

    assert_eq!(short("25.3,8.12,1\n25.4,8.13,0\n1,2\n").len(), 6);
    assert_eq!(short("25.3,8.12\n"), ["column 1=25.3", "column 2=8.12"]);
    assert_eq!(short("25.31\n"), ["value=25.31"]);
    let named = Form { columns: vec!["t".into(), String::new(), "h".into()], ..Form::default() };
    assert_eq!(short_by(&named, "25.3,999,1\n"), ["t=25.3", "h=1"]);
    let quoted = Form { kind: Kind::Csv, ..Form::default() };
    assert_eq!(short_by(&quoted, "#\"a\",\"b\"\n\"1\",\"x, y\"\n"), ["a=1", "b='x, y'"]);
    let unix = Form { time: Some("ts".into()), ..Form::default() };
    assert_eq!(read(&unix, b"ts,a\n1772366400,5\n", None).0[0].time, Some(1_772_366_400_000));
    // A counter is no time unless the map says so.
    assert_eq!(short("ts,a\n1772366400,5\n"), ["ts=1772366400", "a=5"]);
}

#[test]
fn local_times() {
    // Summer time of the European Union ends at 01:00 UTC of the last Sunday of October (Directive 2000/84/EC), in 2026 on the 25th.
    let form = Form { zone: "CET-1CEST,M3.5.0,M10.5.0/3".into(), ..Form::default() };
    let text = "2026-10-25 02:30:00 a=1\n2026-10-25 02:59:59 a=2\n2026-10-25 02:00:00 a=3\n2026-10-25 03:00:00 a=4\n";
    let times: Vec<i64> = read(&form, text.as_bytes(), None).0.iter().filter_map(|p| p.time).collect();
    // 2026-10-25 00:30 UTC (date -u).
    let begin = 1_792_888_200_000;
    assert_eq!(times, [begin, begin + 1_799_000, begin + 1_800_000, begin + 5_400_000]);
}

#[test]
fn objects() {
    // In the order of the file or of the names, as serde_json was built.
    let mut all = short(
        r#"{"tank":{"temp":25.3,"ph":8.12},"heater":true,"floats":[0,1],"who":"reef one","gone":null}"#,
    );
    all.sort();
    let expected = [
        "floats.0=0",
        "floats.1=1",
        "gone=-",
        "heater='true'",
        "tank.ph=8.12",
        "tank.temp=25.3",
        "who='reef one'",
    ];
    assert_eq!(all, expected);
    assert_eq!(short("{\"temp\": NaN, \"x\": \"25.3 C\"}"), ["temp=-", "x=25.3 C"]);
    // Half an object is none, whatever else it may look like.
    assert!(short("{\"temp\": 25.3, \"ph\": 8.1\n").is_empty());
    let (values, _) = read(&Form::default(), br#"{"time":"2026-03-01T12:00:00Z","a":1}"#, None);
    assert_eq!((values.len(), values[0].time), (1, Some(1_772_366_400_000)));
    // Printed over several lines, with another line in between that ends it.
    assert_eq!(short("{\n  \"a\": 1,\n  \"b\": 2\n}\ntemp=3\n"), ["a=1", "b=2", "temp=3"]);
    // What has no end is looked at line by line.
    assert_eq!(short("{\n  \"a\": 1,\ntemp=3\n"), ["a=1", "temp=3"]);
}

/// RFC 8428, sections 5.1.1, 5.1.2, 5.1.3 (as printed there, over several lines) and 5.1.4.
#[test]
fn senml_of_the_rfc() {
    let one = "[\n  {\"n\":\"urn:dev:ow:10e2073a01080063\",\"u\":\"Cel\",\"v\":23.1}\n]\n";
    assert_eq!(short(one), ["urn:dev:ow:10e2073a01080063=23.1 Cel"]);
    let two = "[\n  {\"bn\":\"urn:dev:ow:10e2073a01080063:\",\"n\":\"voltage\",\"u\":\"V\",\"v\":120.1},\n  {\"n\":\"current\",\"u\":\"A\",\"v\":1.2}\n]\n";
    assert_eq!(short(two)[1], "urn:dev:ow:10e2073a01080063:current=1.2 A");
    let many = "[\n  {\"bn\":\"urn:dev:ow:10e2073a0108006:\",\"bt\":1.276020076001e+09,\n   \"bu\":\"A\",\"bver\":5,\n   \"n\":\"voltage\",\"u\":\"V\",\"v\":120.1},\n  {\"n\":\"current\",\"t\":-5,\"v\":1.2},\n  {\"n\":\"current\",\"v\":1.7}\n]\n";
    let (values, tally) = read(&Form::default(), many.as_bytes(), None);
    assert_eq!(values[1].time, Some(1_276_020_071_001));
    assert_eq!((tally.n_lines, tally.n_understood), (7, 7));
    let kinds = r#"[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},{"n":"label","vs":"Machine Room"},{"n":"open","vb":false},{"n":"nfc-reader","vd":"aGkgCg"}]"#;
    let told = short(kinds);
    assert_eq!(told.len(), 3, "data are left out");
    assert_eq!(told[2], "urn:dev:ow:10e2073a01080063:open='false'");
    // Relative to when it came.
    let relative = br#"[{"n":"a","v":1,"t":-5}]"#;
    assert_eq!(read(&Form::default(), relative, Some(1_772_366_400_000)).0[0].time, Some(1_772_366_395_000));
    assert_eq!(read(&Form::default(), relative, None).0[0].time, None);
}

#[test]
fn messages_of_a_topic() {
    let mut reader = Reader::from_the_beginning(&Form::default());
    let mut all = vec![];
    reader.message("reef/tank/temp", b"25.3", None, &mut |p| all.push(p));
    reader.message("reef/heater", b"ON\n", None, &mut |p| all.push(p));
    reader.message("reef/all", b"{\"a\":1}", None, &mut |p| all.push(p));
    reader.message("reef/all", b"b=2\nc=3", None, &mut |p| all.push(p));
    let told: Vec<String> = all.iter().map(word).collect();
    assert_eq!(told, ["temp=25.3", "heater='ON'", "a=1", "b=2", "c=3"]);
}

#[test]
fn memory_is_bounded() {
    // A bracket that never ends, a megabyte without an end of line, a million open brackets.
    let mut reader = Reader::joined(&Form::default());
    let mut n = 0;
    for _ in 0..3_000 {
        reader.push(b"{\"a\":\n", None, &mut |_| n += 1);
    }
    reader.push(&vec![b'['; 1 << 20], None, &mut |_| n += 1);
    reader.broke(None, &mut |_| n += 1);
    assert_eq!(n, 0);
    assert_eq!(reader.tally().rejected.values().map(|r| r.n).sum::<u64>(), 3_001);
    let values = (0..400).map(|i| format!("n{i}=1")).collect::<Vec<_>>().join(" ");
    assert_eq!(short(&values).len(), 256);
}

/// Pieces of what controllers print, and of what lines bring when they are broken.
fn piece() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        Just(b"temp=25.3 C heater=ON\n".to_vec()),
        Just(b"time,temp,ph\r\n2026-03-01 12:00:00,25.3,8.1\r\n".to_vec()),
        Just(b"{\"a\":{\"b\":1},\n\"c\":[true,null]}\n".to_vec()),
        Just(b"[{\"bn\":\"x/\",\"n\":\"a\",\"v\":1},\n{\"n\":\"b\",\"vb\":true}]\n".to_vec()),
        "[-a-z0-9=:.,;|\"{}\\[\\]%° \\t]{0,40}\n".prop_map(String::into_bytes),
        prop::collection::vec(any::<u8>(), 0..40),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..Default::default() })]

    /// Whatever the bytes and however they are cut: no panic, the same values, every line accounted for.
    #[test]
    fn any_chunking(pieces in prop::collection::vec(piece(), 0..12), cuts in prop::collection::vec(1usize..30, 1..40), kind in 0..5usize, comma: bool, joined: bool) {
        let bytes = pieces.concat();
        let kind = [Kind::Auto, Kind::Pairs, Kind::Csv, Kind::Json, Kind::Senml][kind];
        let form = Form { kind, decimal_comma: comma, ..Form::default() };
        let begin = || if joined { Reader::joined(&form) } else { Reader::from_the_beginning(&form) };
        let (mut whole, mut values) = (begin(), vec![]);
        whole.push(&bytes, Some(1_772_366_400_000), &mut |p| values.push(p));
        whole.end(Some(1_772_366_400_000), &mut |p| values.push(p));
        let (mut cut, mut others, mut rest) = (begin(), vec![], bytes.as_slice());
        for n in cuts.iter().cycle() {
            if rest.is_empty() { break; }
            let (now, later) = rest.split_at((*n).min(rest.len()));
            cut.push(now, Some(1_772_366_400_000), &mut |p| others.push(p));
            rest = later;
        }
        cut.end(Some(1_772_366_400_000), &mut |p| others.push(p));
        prop_assert_eq!(&values, &others);
        prop_assert_eq!(whole.tally(), cut.tally());
        let tally = whole.tally();
        let of_values = [Reason::UnclearComma, Reason::TooManyValues];
        let n_refused: u64 = tally.rejected.iter().filter(|(r, _)| !of_values.contains(r)).map(|(_, r)| r.n).sum();
        let n_unclear: u64 = tally.rejected.iter().filter(|(r, _)| of_values.contains(r)).map(|(_, r)| r.n).sum();
        prop_assert!(tally.n_lines >= tally.n_understood + n_refused);
        prop_assert!(tally.n_lines <= tally.n_understood + n_refused + n_unclear);
        prop_assert_eq!(tally.n_values, values.len() as u64);
        for value in &values {
            prop_assert!(!matches!(value.value, Value::Number(n) if !n.is_finite()));
        }
    }
}
