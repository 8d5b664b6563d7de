//! SenML against the examples of RFC 8428, and any text.

use logs::senml::{self, Value};

/// RFC 8428, sections 5.1.1 to 5.1.4.
#[test]
fn senml_of_the_rfc() {
    let now = 1_800_000_000_000;
    let one = senml::read(r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]"#, now).expect("reads");
    assert_eq!(one.len(), 1);
    assert_eq!((one[0].name.as_str(), one[0].time), ("urn:dev:ow:10e2073a01080063", now));
    assert_eq!((one[0].unit.as_deref(), &one[0].value), (Some("Cel"), &Value::Number(23.1)));

    let two = senml::read(
        r#"[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},{"n":"current","u":"A","v":1.2}]"#,
        now,
    )
    .expect("reads");
    assert_eq!(two[1].name, "urn:dev:ow:10e2073a01080063:current");

    let text = r#"[
        {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
        {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
        {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]"#;
    let seven = senml::read(text, now).expect("reads");
    let resolved: Vec<(i64, Option<&str>, &Value)> =
        seven.iter().map(|r| (r.time, r.unit.as_deref(), &r.value)).collect();
    assert_eq!(resolved[0], (1_276_020_076_001, Some("V"), &Value::Number(120.1)));
    assert_eq!(resolved[1], (1_276_020_071_001, Some("A"), &Value::Number(1.2)));
    assert_eq!(resolved[6], (1_276_020_076_001, Some("A"), &Value::Number(1.7)));

    let kinds = senml::read(
        r#"[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
            {"n":"label","vs":"Machine Room"},{"n":"open","vb":false},{"n":"nfc-reader","vd":"aGkgCg"}]"#,
        now,
    )
    .expect("reads");
    assert_eq!(kinds[1].value, Value::Text("Machine Room".into()));
    assert_eq!(kinds[2].value, Value::Switch(false));
    assert_eq!(kinds[3].value, Value::Data("aGkgCg".into()));

    for (text, says) in [
        ("{}", "no SenML"),
        (r#"[{"n":"a","v":1,"vb":true}]"#, "record 1: it has more than one value"),
        (r#"[{"n":"a","v":1},{"n":"b"}]"#, "record 2: it has neither a value nor a sum"),
        (r#"[{"n":"a","v":1,"thing_":1}]"#, "must be understood"),
        (r#"[{"bver":11,"n":"a","v":1}]"#, "a later version"),
        (r#"[{"n":"-a","v":1}]"#, "must begin with a letter or digit"),
    ] {
        let error = senml::read(text, now).expect_err(text).to_string();
        assert!(error.contains(says), "{text}: {error}");
    }
}

proptest::proptest! {
    /// Whatever the text: an answer, no panic.
    #[test]
    fn any_text(text in "[-0-9.,;:T\\t\\n \"a-v{}\\[\\]]{0,200}", pack in r#"\[(\{"n":"[a-z/]{0,3}","(v|vb|vs|s|t|bt)":[-0-9.e]{1,5}\},?){0,4}\]"#) {
        let _ = senml::read(&text, 0);
        let _ = senml::read(&pack, 0);
    }
}
