use super::*;
use crate::document::Document;

fn network(drive: &str, more: &str) -> NetworkFile {
    let text = format!(
        "format = \"ohmsplit-network-1\"\npack.working_voltage_V = 400\n[drive]\n{drive}\n{more}"
    );
    NetworkFile::parse(&Document::embedded("n", &text)).expect("a sound network")
}

const PAIR: &str = "[front_end]\nkind = \"chassis_and_pack\"\n";

fn drawn(drive: &str, more: &str) -> String {
    schematic(&network(drive, more), None).into_string()
}

#[test]
fn each_drive_is_drawn_as_it_is() {
    let drives = [
        (
            "kind = \"source_to_negative\"\namplitude_V = 40\nseries_resistance_ohm = 1e6",
            "source to N",
            [0, 1],
        ),
        (
            "kind = \"source_to_both_rails\"\namplitude_V = 40\nseries_resistance_ohm = 1e6",
            "source to both",
            [0, 2],
        ),
        (
            "kind = \"switched_resistors\"\npositive_resistance_ohm = 1e6\nnegative_resistance_ohm = 2e6",
            "switched",
            [2, 0],
        ),
        (
            "kind = \"logic_source\"\nlow_V = 0\nhigh_V = 3.3\nseries_resistance_ohm = 1e5",
            "logic levels",
            [0, 1],
        ),
    ];
    for (drive, title, [switches, sources]) in drives {
        let svg = drawn(drive, PAIR);
        assert!(svg.contains(title), "{svg}");
        // Two contacts a switch; a round of radius 15 is a source, and the
        // two readings without a divider are meters of the same size.
        assert_eq!(
            svg.matches("class=\"contact\"").count(),
            2 * switches,
            "{title}"
        );
        assert_eq!(svg.matches("r=\"15\"").count(), sources + 2, "{title}");
    }
}

#[test]
fn every_declared_part_is_drawn_with_its_value() {
    let more = format!(
        "[[permanent]]\nto = \"positive\"\nresistance_ohm = 4.7e6\n\
         [[permanent]]\nto = \"positive\"\nresistance_ohm = 5.6e6\n\
         [[permanent]]\nto = \"negative\"\nresistance_ohm = 6.8e6\n{PAIR}\
         chassis.divider_top_ohm = 9.9e6\nchassis.divider_bottom_ohm = 1e5\n"
    );
    let svg = drawn(
        "kind = \"source_to_negative\"\namplitude_V = 40\nseries_resistance_ohm = 1e6",
        &more,
    );
    for value in [
        "4.700 MΩ",
        "5.600 MΩ",
        "6.800 MΩ",
        "9.900 MΩ",
        "100.0 kΩ",
        "±40.00 V",
        "400.0 V",
    ] {
        assert!(svg.contains(value), "{value}");
    }
    // Two to P need two columns; the one to N shares the first.
    assert_eq!(svg.matches(">Permanent<").count(), 2);
    // The same in words.
    let words = svg
        .split("<desc")
        .nth(1)
        .and_then(|text| text.split("</desc>").next());
    let words = words.expect("a description");
    for part in [
        "between P and E: R1 4.700 MΩ",
        "between E and N: R3 6.800 MΩ",
        "Rc 1.000 MΩ, U ±40.00 V",
    ] {
        assert!(words.contains(part), "{words}");
    }
}

#[test]
fn a_bound_fits_beside_its_part() {
    let of = |value, low, high| Resistance { value, low, high };
    assert_eq!(
        short(Kind::Figure, &of(Some(1e6), 9e5, Some(2e6))),
        "1.000 MΩ"
    );
    assert_eq!(short(Kind::Figure, &of(None, 2e9, None)), "> 2.000 GΩ");
    assert_eq!(short(Kind::Open, &of(None, 8e7, None)), "> 80.00 MΩ");
    assert_eq!(short(Kind::Short, &of(None, 0.0, Some(12.0))), "< 12.00 Ω");
    assert_eq!(short(Kind::Short, &of(None, 0.0, None)), "not known");
}
