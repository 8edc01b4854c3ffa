//! How warm the bank is in two upright planes: what a plane cuts, temperatures on a lattice, and places of marks.
//! Drawing is elsewhere.
//!
//! ```text
//!   across the row (y–z),                  along a battery (x–z),
//!   in the middle of its length            in the middle of its width
//!
//!   ┌─────────────────┐                    ┌─────────────────┐
//!   │  ┌────┐ ┌────┐  │                    │  ┌───────────┐  │
//!   │  │ 1  │ │ 2  │  │                    │  │     2     │  │
//!   │  └────┘ └────┘  │                    │  └───────────┘  │
//!   │  ═════════════  │                    │  ═════════════  │
//!   └─────────────────┘                    └─────────────────┘
//! ```

use super::modes::as_f64;
use super::{Heat, Place, Plant, Temperatures};
use crate::site::{Layer, Site, Spot};
use nalgebra::DVector;

/// Points of a battery's lattice along each of its two sides. They are a few millimetres apart; cells are some
/// centimetres large.
const POINTS: usize = 41;

/// The bank in a steady state.
#[derive(Clone, Debug, PartialEq)]
pub struct Sections {
    /// All its temperatures.
    pub temperatures: Temperatures,
    /// The coldest place of the bank.
    pub coldest: Place,
    /// Across the row, then along the battery that has the coldest place.
    pub planes: [Section; 2],
}

/// Which plane it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cut {
    /// Across the row, in the middle of the batteries' length.
    Across,
    /// Along this battery (from 0), in the middle of its width.
    Along(usize),
}

/// What a plane shows. A place is a pair: sideways from the inner face of the box, and up from the top of the plate
/// (m).
#[derive(Clone, Debug, PartialEq)]
pub struct Section {
    /// Which plane.
    pub cut: Cut,
    /// What it cuts, from the outside inwards.
    pub outlines: Vec<Outline>,
    /// Temperatures in each battery that it cuts.
    pub fields: Vec<Field>,
    /// The coldest place of the bank, as seen from the front.
    pub coldest: Mark,
    /// The thermometers, in the order of the settings. `None` for one in the air or on a battery that is not cut.
    pub thermometers: Vec<Option<Mark>>,
}

/// The part that an outline shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// Walls and lid with all that they enclose. The outermost comes first, then the outer face of each further layer.
    Walls,
    /// A layer of the floor.
    Floor,
    /// The space within walls and floor.
    Inside,
    /// The heater pad.
    Pad,
    /// The spreader plate.
    Plate,
    /// A battery (from 0).
    Battery(usize),
}

/// An upright rectangle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outline {
    /// The part that it shows.
    pub part: Part,
    /// Its lower left corner (m).
    pub from_m: [f64; 2],
    /// Its upper right corner (m).
    pub to_m: [f64; 2],
}

/// Temperatures of one battery, its faces included.
#[derive(Clone, Debug, PartialEq)]
pub struct Field {
    /// From 0.
    pub battery: usize,
    /// Columns of the lattice (m), rising.
    pub sideways_m: Vec<f64>,
    /// Rows of the lattice (m), rising.
    pub up_m: Vec<f64>,
    /// Row by row (°C).
    pub at_c: Vec<f64>,
}

/// A place as seen from the front.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mark {
    /// Where (m).
    pub at_m: [f64; 2],
    /// How far before or behind the plane it lies (m).
    pub off_m: f64,
}

impl Plant {
    /// Sections through the steady state. `site` must be the plant's own.
    #[must_use]
    pub fn sections(&self, site: &Site, outside_c: f64, wind_m_s: f64, heat: Heat) -> Sections {
        let states = self.steady_states(outside_c, wind_m_s, heat);
        let temperatures = self.sorted(&states);
        let coldest = self.coldest(&temperatures);
        let cells_c = self.reduced.cells_c(&states);
        let section = |cut| Section {
            cut,
            outlines: self.outlines(site, cut),
            fields: self.fields(cut, &cells_c),
            coldest: self.mark(cut, self.at_m(coldest.battery, coldest.from_corner_m)),
            thermometers: site.mountings.iter().map(|mounting| self.thermometer(cut, mounting.at)).collect(),
        };
        Sections { planes: [section(Cut::Across), section(Cut::Along(coldest.battery))], temperatures, coldest }
    }

    /// The axis that runs sideways in a plane, the axis that it crosses, and where it crosses that (m).
    fn plane(&self, cut: Cut) -> (usize, usize, f64) {
        let layout = &self.reduced.solid.layout;
        match cut {
            Cut::Across => (1, 0, f64::midpoint(layout.batteries[0].from[0], layout.batteries[0].to[0])),
            Cut::Along(battery) => {
                (0, 1, f64::midpoint(layout.batteries[battery].from[1], layout.batteries[battery].to[1]))
            }
        }
    }

    fn outlines(&self, site: &Site, cut: Cut) -> Vec<Outline> {
        let layout = &self.reduced.solid.layout;
        let (sideways, across, at) = self.plane(cut);
        let thick = |layers: &[Layer]| layers.iter().map(|layer| layer.thickness_m).sum::<f64>();
        let (walls, floor) = (thick(&site.enclosure.walls), thick(&site.enclosure.floor));
        let plate_base = -site.plate.thickness_m;
        let base = plate_base - site.pad.thickness_m;
        let lid = (base + site.enclosure.height_m).max(layout.height_m);
        let (left, right) = (layout.inside.from[sideways], layout.inside.to[sideways]);
        let mut all = Vec::new();
        let mut outer = walls;
        // The sides reach down to the floor's underside.
        for layer in &site.enclosure.walls {
            let from_m = [left - outer, base - floor];
            all.push(Outline { part: Part::Walls, from_m, to_m: [right + outer, lid + outer] });
            outer -= layer.thickness_m;
        }
        let mut under = base - floor;
        for layer in &site.enclosure.floor {
            let to_m = [right, under + layer.thickness_m];
            all.push(Outline { part: Part::Floor, from_m: [left, under], to_m });
            under += layer.thickness_m;
        }
        all.push(Outline { part: Part::Inside, from_m: [left, base], to_m: [right, lid] });
        let flats =
            [(Part::Pad, &layout.pad, base, plate_base), (Part::Plate, &layout.plate, plate_base, 0.0)].into_iter();
        let cases = layout.batteries.iter().enumerate();
        let cases = cases.map(|(index, case)| (Part::Battery(index), case, 0.0, layout.height_m));
        let is_cut = |from: f64, to: f64| (from..=to).contains(&at);
        let rects = flats.chain(cases).filter(|(_, rect, ..)| is_cut(rect.from[across], rect.to[across]));
        all.extend(rects.map(|(part, rect, low, high)| Outline {
            part,
            from_m: [rect.from[sideways], low],
            to_m: [rect.to[sideways], high],
        }));
        all
    }

    fn fields(&self, cut: Cut, cells_c: &DVector<f64>) -> Vec<Field> {
        let solid = &self.reduced.solid;
        let (sideways, across, _) = self.plane(cut);
        let parts: Vec<f64> = (0..POINTS).map(|point| as_f64(point) / as_f64(POINTS - 1)).collect();
        let field = |battery: usize| {
            let case = &solid.layout.batteries[battery];
            let mut at_c = Vec::with_capacity(POINTS * POINTS);
            for up in &parts {
                for side in &parts {
                    let mut point = [0.0, 0.0, *up];
                    (point[sideways], point[across]) = (*side, 0.5);
                    let place = solid.part_of_battery(battery, point);
                    at_c.push(place.into_iter().map(|(node, weight)| weight * cells_c[node]).sum());
                }
            }
            let between = |from: f64, to: f64| parts.iter().map(|part| from + part * (to - from)).collect();
            Field {
                battery,
                sideways_m: between(case.from[sideways], case.to[sideways]),
                up_m: between(0.0, solid.layout.height_m),
                at_c,
            }
        };
        match cut {
            Cut::Across => (0..solid.layout.batteries.len()).map(field).collect(),
            Cut::Along(battery) => vec![field(battery)],
        }
    }

    /// A point of a battery in the coordinates of the box (m).
    fn at_m(&self, battery: usize, from_corner_m: [f64; 3]) -> [f64; 3] {
        let corner = self.reduced.solid.layout.batteries[battery].from;
        [from_corner_m[0] + corner[0], from_corner_m[1] + corner[1], from_corner_m[2]]
    }

    fn mark(&self, cut: Cut, at_m: [f64; 3]) -> Mark {
        let (sideways, across, plane) = self.plane(cut);
        Mark { at_m: [at_m[sideways], at_m[2]], off_m: (at_m[across] - plane).abs() }
    }

    fn thermometer(&self, cut: Cut, spot: Spot) -> Option<Mark> {
        let solid = &self.reduced.solid;
        if spot == Spot::Plate {
            let [x, y] = solid.spot_on_plate();
            return Some(self.mark(cut, [x, y, 0.0]));
        }
        let (battery, from_corner_m) = solid.on_case(spot)?;
        let mut at_m = self.at_m(battery, from_corner_m);
        let mut on = battery..=battery;
        let cases = &solid.layout.batteries;
        if let (Spot::Between(_), Some(next)) = (spot, cases.get(battery + 1)) {
            at_m[1] = f64::midpoint(cases[battery].to[1], next.from[1]);
            on = battery..=battery + 1;
        }
        match cut {
            Cut::Along(cut) if !on.contains(&cut) => None,
            _ => Some(self.mark(cut, at_m)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::testing::site;

    const HEAT: Heat = Heat { heater_w: 20.0, bank_w: 0.0 };

    fn sections(site: &Site) -> Sections {
        Plant::new(site, 1.0).sections(site, -20.0, 3.0, HEAT)
    }

    fn row(field: &Field, index: usize) -> &[f64] {
        &field.at_c[index * POINTS..(index + 1) * POINTS]
    }

    #[test]
    fn a_symmetric_bank_has_a_symmetric_field_and_one_with_its_pad_aside_has_not() {
        /// How far the few states may be from all cells (K). The patterns know a pad that is moved in one direction
        /// only.
        const NEAR_K: f64 = 0.02;
        let apart = |site: &Site| {
            let [across, along] = sections(site).planes;
            let mirrored = [(&across.fields[0], &across.fields[1]), (&along.fields[0], &along.fields[0])];
            let rows =
                mirrored.into_iter().flat_map(|(a, b)| (0..POINTS).map(move |index| (row(a, index), row(b, index))));
            rows.flat_map(|(a, b)| a.iter().zip(b.iter().rev())).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
        };
        // Thermometers are bodies too, so they are alike on both sides here.
        let mut site = site();
        site.mountings =
            [Spot::Top(0), Spot::Top(1)].map(|at| crate::site::Mounting { at, ..site.mountings[0] }).to_vec();
        let symmetric_k = apart(&site);
        assert!(symmetric_k < NEAR_K, "{symmetric_k} K");
        site.pad.shift_m = [0.01, 0.01];
        let aside_k = apart(&site);
        assert!(aside_k > 2.0 * NEAR_K, "{aside_k} K");
    }

    #[test]
    fn the_field_is_the_plant_s_own_at_the_middle_of_each_top_and_nowhere_below_its_coldest_place() {
        let mut site = site();
        // These elements neither warm themselves nor see air. Each reads the place where it sits.
        site.mountings =
            [Spot::Top(0), Spot::Top(1)].map(|at| crate::site::Mounting { at, ..site.mountings[0] }).to_vec();
        for mounting in &mut site.mountings {
            (mounting.self_heating_k_per_mw, mounting.air_share) = (1e-9, 0.0);
        }
        let found = sections(&site);
        let [across, along] = &found.planes;
        let coldest_c = found.temperatures.coldest_cell_c();
        for field in across.fields.iter().chain(&along.fields) {
            let top_c = row(field, POINTS - 1)[POINTS / 2];
            let reads_c = found.temperatures.sensors_c[field.battery];
            assert!((top_c - reads_c).abs() < 1e-6, "{top_c} °C in the field, {reads_c} °C read");
            // The place that stands for the coldest may be this much warmer (K): `NEAR_K` of `extremes`.
            let least_c = field.at_c.iter().copied().fold(f64::INFINITY, f64::min);
            assert!(least_c > coldest_c - 0.005, "{least_c} °C below {coldest_c} °C");
            // Heat comes from below.
            assert!(row(field, 0)[POINTS / 2] > top_c);
        }
    }

    #[test]
    fn everything_cut_lies_within_the_box_and_the_batteries_stand_on_the_plate() {
        let mut site = site();
        site.enclosure
            .walls
            .insert(0, Layer { name: "ply".into(), thickness_m: 0.009, ..site.enclosure.walls[0].clone() });
        for section in sections(&site).planes {
            let of = |part: Part| section.outlines.iter().filter(move |outline| outline.part == part);
            let walls: Vec<&Outline> = of(Part::Walls).collect();
            assert_eq!(walls.len(), 2);
            assert!((walls[1].from_m[0] - walls[0].from_m[0] - 0.009).abs() < 1e-12);
            let plate = of(Part::Plate).next().expect("a plate");
            let pad = of(Part::Pad).next().expect("a pad");
            assert!(plate.to_m[1].abs() < 1e-12 && (pad.to_m[1] - plate.from_m[1]).abs() < 1e-12);
            for outline in &section.outlines {
                let within = |axis: usize| {
                    walls[0].from_m[axis] <= outline.from_m[axis] + 1e-12
                        && outline.from_m[axis] < outline.to_m[axis]
                        && outline.to_m[axis] <= walls[0].to_m[axis] + 1e-12
                };
                assert!(within(0) && within(1), "{outline:?}");
                if let Part::Battery(_) = outline.part {
                    assert!(outline.from_m[1].abs() < 1e-12 && (outline.to_m[1] - 0.215).abs() < 1e-12);
                }
            }
        }
    }

    #[test]
    fn a_thermometer_is_marked_where_it_sits_and_only_where_its_battery_is_cut() {
        let mut site = site();
        let spots = [Spot::Between(0), Spot::Top(1), Spot::Plate, Spot::Air, Spot::End(0)];
        site.mountings = spots.map(|at| crate::site::Mounting { at, ..site.mountings[0] }).to_vec();
        let found = sections(&site);
        let [across, along] = &found.planes;
        let cut = found.coldest.battery;
        assert_eq!((across.cut, along.cut), (Cut::Across, Cut::Along(cut)));
        // The row is as wide as the plate, and stands in the middle of a box of 400 x 420 mm.
        let near = |mark: &Option<Mark>, at_m: [f64; 2], off_m: f64| {
            let mark = mark.expect("a mark");
            let apart = [mark.at_m[0] - at_m[0], mark.at_m[1] - at_m[1], mark.off_m - off_m];
            assert!(apart.iter().all(|apart| apart.abs() < 1e-9), "{mark:?}, not {at_m:?}");
        };
        near(&across.thermometers[0], [0.21, 0.1075], 0.0);
        near(&across.thermometers[1], [0.21 + 0.0025 + 0.086, 0.215], 0.0);
        near(&across.thermometers[2], [0.21, 0.0], 0.0);
        assert_eq!(across.thermometers[3], None);
        near(&across.thermometers[4], [0.21 - 0.0025 - 0.086, 0.1075], 0.165);
        near(&along.thermometers[0], [0.2, 0.1075], 0.0885);
        assert_eq!((along.thermometers[1].is_some(), along.thermometers[4].is_some()), (cut == 1, cut == 0));
    }
}
