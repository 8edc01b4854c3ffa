#![expect(clippy::float_cmp, reason = "tenths of a millimetre, rounded")]

use super::super::tests::with;
use crate::installation::{Installation, starter};
use crate::site::Site;
use proptest::prelude::*;

/// The starter, whose row of batteries is 330 x 349 mm, with length and width of plate, pad and box, and the pad's shift (mm).
fn laid(plate: [f64; 2], pad: [f64; 2], inside: [f64; 2], shift: [f64; 2]) -> String {
    let mut text = starter();
    for (section, names, values) in [
        ("plate", ["length_mm", "width_mm"], plate),
        ("pad", ["length_mm", "width_mm"], pad),
        ("box", ["length_mm", "width_mm"], inside),
        ("pad", ["shift_along_mm", "shift_across_mm"], shift),
    ] {
        for (name, value) in names.into_iter().zip(values) {
            text = with(&text, section, name, &format!("{name} = {value}"));
        }
    }
    text
}

/// As it lies (mm): plate, pad, box.
fn lies(site: &Site) -> [[f64; 2]; 3] {
    let Site { plate, pad, enclosure, .. } = site;
    [[plate.length_m, plate.width_m], [pad.length_m, pad.width_m], [enclosure.length_m, enclosure.width_m]]
        .map(|measures| measures.map(|metres| (metres * 1e4).round() / 10.0))
}

#[test]
fn what_is_written_the_other_way_round_lies_as_it_fits() {
    let found = |plate, pad, inside, shift| {
        let installation = Installation::parse("test", &laid(plate, pad, inside, shift)).expect("no error");
        assert_eq!(installation.warnings, []);
        lies(&installation.site.expect("a site"))
    };
    let none = [0.0, 0.0];
    let fits = [[330.0, 349.0], [320.0, 345.0], [340.0, 355.0]];
    let [plate, pad, inside] = fits;
    let turned = |[length, width]: [f64; 2]| [width, length];
    for bits in 0..8 {
        let written = |bit: u32, measures| if bits >> bit & 1 == 1 { turned(measures) } else { measures };
        assert_eq!(found(written(0, plate), written(1, pad), written(2, inside), none), fits, "{bits:03b}");
    }
    // What fits as it is written stays so.
    assert_eq!(
        found([360.0, 350.0], [300.0, 340.0], [400.0, 380.0], none),
        [[360.0, 350.0], [300.0, 340.0], [400.0, 380.0]]
    );
    // Only the other way round is there room for the shift.
    assert_eq!(found(plate, [329.0, 300.0], inside, [14.0, 9.0])[1], [300.0, 329.0]);
}

proptest! {
    /// Compared with a trial of all eight ways.
    #[test]
    fn an_installation_is_accepted_where_some_way_to_lay_it_fits(
        plate in prop::array::uniform2(300..420_i32),
        pad in prop::array::uniform2(200..420_i32),
        inside in prop::array::uniform2(320..460_i32),
        shift in prop::array::uniform2(-30..30_i32),
    ) {
        let turned = |[length, width]: [i32; 2], turn: bool| if turn { [width, length] } else { [length, width] };
        let within = |[length, width]: [i32; 2], outer: [i32; 2]| length <= outer[0] && width <= outer[1];
        let under_the_row = within([330, 349], plate);
        let fits = (0..8).any(|bits| {
            let way = |bit: u32, measures| turned(measures, bits >> bit & 1 == 1);
            let (plate, pad, inside) = (way(0, plate), way(1, pad), way(2, inside));
            let spread = [pad[0] + 2 * shift[0].abs(), pad[1] + 2 * shift[1].abs()];
            within([330, 349], inside) && within(plate, inside) && within(spread, plate)
                // No plate is turned from under the row to make room for a shift.
                && (within([330, 349], plate) || !under_the_row)
        });
        let floats = |measures: [i32; 2]| measures.map(f64::from);
        let read = Installation::parse("test", &laid(floats(plate), floats(pad), floats(inside), floats(shift)));
        prop_assert_eq!(read.is_ok(), fits, "{:?}", read.err());
    }
}
