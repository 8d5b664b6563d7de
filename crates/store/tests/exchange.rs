//! Export and import: what goes out is what others' readers take, and logs of many kinds come in, once.

use std::time::Duration;

use logs::senml::{self, Value};
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::record::RowAccessor;
use store::{
    Appended, Choices, Format, Options, Point, Quality, Sample, SeriesId, SeriesSpec, Store, Wanted,
    preview_csv,
};

const BASE: i64 = 1_735_689_600_000;

fn open() -> (tempfile::TempDir, Store) {
    let folder = tempfile::tempdir().expect("folder");
    let options = Options { gather: Duration::ZERO, block: 64, ..Options::default() };
    let store = Store::open_with(folder.path().join("store.sqlite"), options).expect("opens");
    (folder, store)
}

fn spec(name: &str, unit: &str, scale: f64, is_switch: bool) -> SeriesSpec {
    SeriesSpec {
        source: "lane".into(),
        name: name.into(),
        unit: unit.into(),
        scale,
        interval: 10_000,
        is_switch,
    }
}

/// A temperature with an uncertain and a bad sample, and a switch half as often.
fn filled(store: &Store) -> Vec<SeriesId> {
    let ids = vec![
        store.series(&spec("display_temp", "degC", 0.001, false)).expect("series"),
        store.series(&spec("heater", "", 1.0, true)).expect("series"),
    ];
    let mut samples = vec![];
    for k in 0..200 {
        let quality = Quality::from_code(match k {
            3 => 1,
            4 => 2,
            _ => 0,
        });
        samples.push(Sample { series: ids[0], time: BASE + k * 10_000, value: 25_400 + k % 7, quality });
        if k % 2 == 0 {
            samples.push(Sample {
                series: ids[1],
                time: BASE + k * 10_000,
                value: k / 2 % 2,
                quality: Quality::Good,
            });
        }
    }
    store.append(samples).expect("appends");
    ids
}

fn exported(store: &Store, series: Vec<SeriesId>, format: Format) -> Vec<u8> {
    let mut out = vec![];
    store.export(&Wanted { series, from: 0, before: i64::MAX }, format, &mut out).expect("exports");
    out
}

fn points(store: &Store, id: SeriesId) -> Vec<Point> {
    store.points(id, 0, i64::MAX, usize::MAX).expect("reads")
}

#[test]
fn csv_goes_out_and_comes_back() {
    let (_folder, store) = open();
    let ids = filled(&store);
    let csv = exported(&store, ids.clone(), Format::Csv);
    let text = String::from_utf8(csv.clone()).expect("UTF-8");
    let lines: Vec<&str> = text.split("\r\n").collect();
    assert_eq!(lines[0], "time,source,series,value,unit,quality");
    assert_eq!(lines[1], "2025-01-01T00:00:00.000Z,lane,display_temp,25.4,degC,good");
    assert_eq!(lines[5], "2025-01-01T00:00:40.000Z,lane,display_temp,25.404,degC,bad");
    let (_other_folder, other) = open();
    let imported = other.import_csv(&csv, &Choices::default()).expect("imports");
    assert_eq!(imported.appended, Appended { new: 300, ..Appended::default() });
    assert_eq!(imported.preview.findings.n, 0, "{:?}", imported.preview.findings);
    let back = other.find_series("import", "display_temp").expect("is there");
    assert_eq!(points(&other, back.id), points(&store, ids[0]));
    assert_eq!(back.spec.unit, "degC");
    let again = other.import_csv(&csv, &Choices::default()).expect("imports again");
    assert_eq!(again.appended, Appended { duplicates: 300, ..Appended::default() });
}

#[test]
fn a_table_for_spreadsheets() {
    let (_folder, store) = open();
    let text = String::from_utf8(exported(&store, filled(&store), Format::CsvTable)).expect("UTF-8");
    let lines: Vec<&str> = text.split("\r\n").collect();
    assert_eq!(lines.len(), 202);
    assert_eq!(
        lines[..6],
        [
            "time,display_temp [degC],heater",
            "2025-01-01T00:00:00.000Z,25.4,0",
            "2025-01-01T00:00:10.000Z,25.401,",
            "2025-01-01T00:00:20.000Z,25.402,1",
            "2025-01-01T00:00:30.000Z,25.403,",
            "2025-01-01T00:00:40.000Z,,0",
        ]
    );
}

/// Read by the reader of the Parquet project itself.
#[test]
fn parquet_for_others() {
    let (_folder, store) = open();
    let data = exported(&store, filled(&store), Format::Parquet);
    let reader = SerializedFileReader::new(bytes::Bytes::from(data)).expect("a Parquet file");
    let rows: Vec<_> = reader.get_row_iter(None).expect("rows").map(|row| row.expect("a row")).collect();
    assert_eq!(rows.len(), 300);
    let row = &rows[4];
    assert_eq!(row.get_timestamp_millis(0).expect("time"), BASE + 40_000);
    assert_eq!(row.get_string(1).expect("source"), "lane");
    assert_eq!(row.get_string(2).expect("series"), "display_temp");
    assert_eq!(row.get_long(3).expect("counts"), 25_404);
    assert_eq!(row.get_double(4).expect("value"), 25.404);
    assert_eq!(row.get_string(5).expect("unit"), "degC");
    assert_eq!(row.get_string(6).expect("quality"), "bad");
}

#[test]
fn senml_goes_out_and_is_read() {
    let (_folder, store) = open();
    let ids = filled(&store);
    let text = String::from_utf8(exported(&store, ids, Format::Senml)).expect("UTF-8");
    assert!(
        text.starts_with(
            "[\n{\"bn\":\"lane/\",\"bt\":1735689600,\"n\":\"display_temp\",\"u\":\"Cel\",\"v\":25.4},\n\
         {\"n\":\"display_temp\",\"t\":10,\"u\":\"Cel\",\"v\":25.401}"
        ),
        "{text}"
    );
    let records = senml::read(&text, 0).expect("SenML");
    assert_eq!(records.len(), 299, "the bad sample is left out");
    assert_eq!(records[1].time, BASE + 10_000);
    assert_eq!(records[298].value, Value::Switch(true));
    assert_eq!(exported(&store, vec![], Format::Senml), b"[\n]\n");
}

#[test]
fn a_log_from_a_spreadsheet() {
    // Semicolons, decimal commas, the day first, Latin-1, local time over the end of summer time, an empty cell, a text column.
    let mut log = b"Logger 3, exported\r\nDatum;Temperatur [\xB0C];pH;Heizung;Bemerkung\r\n".to_vec();
    let rows = [
        ("27.10.2024 01:30", "25,41", "8,1", "on", ""),
        ("27.10.2024 02:00", "25,40", "8,15", "on", "refilled"),
        ("27.10.2024 02:30", "25,38", "", "off", ""),
        ("27.10.2024 02:00", "25,37", "8,2", "off", ""),
        ("27.10.2024 02:30", "25,36", "8,22", "off", ""),
        ("27.10.2024 03:00", "x", "8,21", "on", ""),
    ];
    for (time, temperature, ph, heater, remark) in rows {
        log.extend(format!("{time};{temperature};{ph};{heater};{remark}\r\n").bytes());
    }
    log.extend(b"27.10.2024 03:30;25,1\r\nend of log;;;;\r\n");
    let choices = Choices { zone: "CET-1CEST,M3.5.0,M10.5.0/3".into(), ..Choices::default() };
    let preview = preview_csv(&log, &choices).expect("understands");
    assert_eq!((preview.separator, preview.decimal_comma, preview.day_first), (';', true, true));
    assert!(preview.has_header && !preview.is_utc);
    assert_eq!(
        (preview.from.as_str(), preview.to.as_str()),
        ("2024-10-26T23:30:00.000Z", "2024-10-27T02:00:00.000Z")
    );
    assert_eq!(preview.interval, 1_800_000);
    let columns: Vec<(&str, &str, bool, u64)> =
        preview.columns.iter().map(|c| (c.name.as_str(), c.unit.as_str(), c.is_switch, c.n)).collect();
    assert_eq!(columns, [("Temperatur", "degC", false, 5), ("pH", "", false, 5), ("Heizung", "", true, 6)]);
    assert_eq!(preview.rows[1].values, [Some(25.4), Some(8.15), Some(1.0)]);
    let told: Vec<(Option<u64>, &str)> =
        preview.findings.told.iter().map(|f| (f.line, f.what.as_str())).collect();
    assert_eq!(
        told,
        [
            (None, "the file is not UTF-8; read as Latin-1"),
            (Some(1), "1 lines before the table left out"),
            (Some(9), "2 cells instead of 5; left out"),
            (Some(10), "no time in \"end of log    \"; left out"),
            (None, "the column \"Bemerkung\" holds text; left out"),
            (Some(8), "\"x\" in Temperatur is no number; left out"),
        ]
    );

    let (_folder, store) = open();
    assert_eq!(store.import_csv(&log, &choices).expect("imports").appended.new, 16);
    assert_eq!(
        store.import_csv(&log, &choices).expect("imports").appended,
        Appended { duplicates: 16, ..Appended::default() }
    );
    let ph = store.find_series("import", "pH").expect("is there");
    let values: Vec<f64> = points(&store, ph.id).iter().map(|p| ph.spec.in_units(p.value)).collect();
    assert_eq!(values, [8.1, 8.15, 8.2, 8.22, 8.21]);
}

#[test]
fn logs_of_other_kinds() {
    let of = |text: &str| preview_csv(text.as_bytes(), &Choices::default()).expect(text);
    // Commas and points, month first because a day beyond twelve tells, twelve hours.
    let log = of("Time,Temp (F)\n03/04/2024 11:59 PM,78.1\n03/14/2024 12:00 AM,78.2\n");
    assert_eq!((log.separator, log.day_first, log.from.as_str()), (',', false, "2024-03-04T23:59:00.000Z"));
    assert_eq!(log.columns[0].unit, "degF");
    // Neither date tells: a finding.
    let log = of("Time,Temp\n03/04/2024 10:00,25.1\n03/05/2024 10:00,25.2\n");
    assert!(log.findings.told[0].what.contains("may be day or month first"), "{:?}", log.findings);
    // No header, tabs, seconds since 1970.
    let log = of("1700000000\t25.1\n1700000010\t25.2\n1700000020\tNaN\n");
    assert_eq!((log.separator, log.has_header, log.is_utc, log.interval), ('\t', false, true, 10_000));
    assert_eq!((log.columns[0].name.as_str(), log.columns[0].n), ("column 2", 2));
    // Date and time in two columns, quotes, a name with a comma, thousands.
    let log = of("Date,Time,\"ORP, mV\"\n2024-01-05,10:00,\"1,250\"\n2024-01-05,10:01,351\n");
    assert_eq!(
        (log.from.as_str(), log.columns[0].name.as_str(), log.columns[0].max),
        ("2024-01-05T10:00:00.000Z", "ORP, mV", 1250.0)
    );
    for (text, says) in [
        ("", "no separator found"),
        ("hello\nworld\n", "no separator found"),
        ("a,b\nc,d\n", "no column holds times"),
        ("time,what\n2024-01-05 10:00,fed\n2024-01-05 11:00,cleaned\n", "nothing to import"),
    ] {
        let error = preview_csv(text.as_bytes(), &Choices::default()).expect_err(text).to_string();
        assert!(error.contains(says), "{text}: {error}");
    }
    let error =
        preview_csv(b"a,b\n", &Choices { zone: "Berlin".into(), ..Choices::default() }).expect_err("zone");
    assert!(error.to_string().contains("CET-1CEST"), "{error}");
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig { cases: 300, ..Default::default() })]
    /// Whatever the bytes: an answer, no panic.
    #[test]
    fn any_bytes(zone in "[A-Z]{3}[-0-9:]{1,24}[A-Z]{0,4}(,M[0-9.]{1,8}(/[0-9:]{0,22})?){0,2}", text in "[-0-9.,;:T/\\t\\n \"a-cµ]{0,200}", wild in proptest::collection::vec(0u8..=255, 0..80)) {
        let _ = preview_csv(text.as_bytes(), &Choices::default());
        let _ = preview_csv(&wild, &Choices::default());
        let _ = preview_csv(b"1.1.2024 10:00;5\n", &Choices { zone: zone.clone(), ..Choices::default() });
    }
}
