//! The network of one installation: pad, plate, batteries in layers, box air, walls and floor, and the thermometers themselves.
//!
//! ```text
//!                  outside air
//!                      │ film (wind) + outer part of the layers
//!                    walls ── inner part of the layers + inner film ──┐
//!                                                                │
//!  battery 1        battery 2                                 box air ── leaks ── outside
//!   layer 6 ─gap──── layer 6  ── top, sides (inner film) ───────┤
//!     ⋮                 ⋮                                        │
//!   layer 1 ─gap──── layer 1  ───────────────────────────────────┤
//!     │ joint           │ joint                                  │
//!     └────── plate ────┴──────────────── uncovered part ────────┘
//!               │ bond
//!              pad
//!               │ half the floor's insulation
//!             floor ── half the floor's insulation (+ film) ── outside or ground
//! ```

use super::modes::as_f64;
use super::network::{Boundary, Network, Node};
use crate::materials::{AIR, SILICONE};
use crate::site::{Battery, Enclosure, Layer, Mounting, Site, Spot, StandsOn};

/// Layers of a battery, from the plate upwards, where nothing else is asked for.
///
/// Against the exact solution for a slab heated on one face, six equal layers are within 0.0025 `q L / k` (0.05 K of 19 K) from 1 % of
/// the diffusion time `L²/α` on, faces read out to second order; held by `six_layers_follow_the_slab`. For a wall that cools through a film,
/// within 0.5 % of the step up to a Biot number of 1; held by `six_layers_follow_the_plane_wall`. The error falls with the square of their
/// number.
pub const LAYERS: usize = 6;

/// Long-wave radiation between dark surfaces near 0 °C (W/(m² K)): 4 ε σ T³ with ε = 0.9. Source: ISO 6946:2007, annex A.
const RADIATION: f64 = 0.9 * 4.0 * 5.670_374e-8 * 273.15 * 273.15 * 273.15;

/// The network with the places of its parts.
#[derive(Clone, Debug)]
pub(super) struct Body {
    /// All but the way from the walls and the floor to the outside, which depends on the wind.
    pub(super) network: Network,
    pub(super) pad: Node,
    pub(super) plate: Node,
    pub(super) air: Node,
    /// Of each battery, from the plate upwards.
    pub(super) layers: Vec<Vec<Node>>,
    /// Of each battery.
    pub(super) skins: Vec<Skin>,
    /// Of each channel, in the order of the settings.
    pub(super) sensors: Vec<Node>,
    /// What the wind reaches.
    windward: Vec<Windward>,
}

/// A node from which heat gets outside through solid and then a film.
#[derive(Clone, Copy, Debug)]
struct Windward {
    node: Node,
    /// Through the solid (W/K).
    solid_w_per_k: f64,
    /// Under the film (m²).
    area_m2: f64,
}

impl Body {
    pub(super) fn new(site: &Site, layers: usize) -> Self {
        let mut network = Network::default();
        let Site { battery, plate, pad, enclosure, place, mountings, .. } = site;
        let base_m2 = battery.length_m * battery.width_m;
        let covered_m2 = base_m2 * as_f64(battery.count);

        let pad_node = network.add(pad.area_m2 * pad.thickness_m * volumetric(&SILICONE));
        let plate_node = network.add(plate.area_m2 * plate.thickness_m * volumetric(&plate.material));
        network.link(pad_node, plate_node, pad.area_m2 * pad.bond_w_per_m2_k);
        let batteries_m3 = covered_m2 * battery.height_m;
        let free_m3 = (enclosure.length_m * enclosure.width_m * enclosure.height_m - batteries_m3).max(1e-3);
        let air = network.add(free_m3 * volumetric(&AIR));
        let inside = enclosure.inside_w_per_m2_k;
        network.link(plate_node, air, inside * (plate.area_m2 - covered_m2).max(0.0));

        // What stands beyond the plate is not warmed by it.
        let contact = plate.contact_w_per_m2_k * (plate.area_m2 / covered_m2).min(1.0);
        let blocks: Vec<Vec<Node>> =
            (0..battery.count).map(|_| stack(&mut network, battery, layers, plate_node, contact)).collect();
        surround(&mut network, battery, &blocks, air, inside);
        let skins: Vec<Skin> = (0..battery.count).map(|index| skin(battery, layers, index, inside, contact)).collect();
        let floor = floor(&mut network, enclosure, plate.area_m2, (pad_node, air), place.stands_on);
        let windward = [Some(walls(&mut network, enclosure, air)), floor].into_iter().flatten().collect();
        let leak =
            AIR.density_kg_per_m3 * AIR.specific_heat_j_per_kg_k * free_m3 * enclosure.air_changes_per_h / 3600.0;
        network.edge(air, Boundary::Outside, leak);

        let sensors = mountings
            .iter()
            .map(|mounting| {
                // With the part of its surroundings that each is: on a face it is what the face is made of.
                let fixed_to = match mounting.at {
                    Spot::Plate => vec![(plate_node, 1.0)],
                    Spot::Base(battery) => {
                        let to_plate = skins[battery].base;
                        vec![(blocks[battery][0], 1.0 - to_plate), (plate_node, to_plate)]
                    }
                    Spot::Top(battery) => {
                        let to_air = skins[battery].top;
                        vec![(blocks[battery][layers - 1], 1.0 - to_air), (air, to_air)]
                    }
                    Spot::Between(battery) => half_way_up(&blocks[battery], 0.0, air),
                    Spot::Side(battery) => half_way_up(&blocks[battery], skins[battery].long, air),
                    Spot::End(battery) => half_way_up(&blocks[battery], skins[battery].short, air),
                    // In the middle of the joint, half of it to the plate and half to the face of the case.
                    Spot::Bottom(battery) => {
                        let to_plate = f64::midpoint(1.0, skins[battery].base);
                        vec![(blocks[battery][0], 1.0 - to_plate), (plate_node, to_plate)]
                    }
                    Spot::Air => vec![],
                };
                thermometer(&mut network, mounting, &fixed_to, air)
            })
            .collect();
        Self { network, pad: pad_node, plate: plate_node, air, layers: blocks, skins, sensors, windward }
    }

    /// The whole network with so much wind about the box (m/s).
    pub(super) fn in_wind(&self, wind_m_s: f64) -> Network {
        let mut network = self.network.clone();
        // Outside film. Source: ISO 6946:2007, annex A: h = 4 + 4 v for the convection, and radiation.
        let film = 4.0 + 4.0 * wind_m_s + RADIATION;
        for windward in &self.windward {
            let through = series(windward.solid_w_per_k, film * windward.area_m2);
            network.edge(windward.node, Boundary::Outside, through);
        }
        network
    }
}

/// Heat capacity per volume (J/(m³ K)).
fn volumetric(material: &crate::materials::Material) -> f64 {
    material.density_kg_per_m3 * material.specific_heat_j_per_kg_k
}

/// Two conductances one after the other (W/K).
pub(super) fn series(a: f64, b: f64) -> f64 {
    if a <= 0.0 || b <= 0.0 { 0.0 } else { a * b / (a + b) }
}

/// One battery as a stack of equal layers on the plate.
pub(super) fn stack(network: &mut Network, battery: &Battery, layers: usize, plate: Node, contact: f64) -> Vec<Node> {
    let base_m2 = battery.length_m * battery.width_m;
    let layer_j_per_k = battery.mass_kg * battery.specific_heat_j_per_kg_k / as_f64(layers);
    let half = battery.conductivity_up_w_per_m_k * base_m2 / (battery.height_m / as_f64(layers) / 2.0);
    let nodes: Vec<Node> = (0..layers).map(|_| network.add(layer_j_per_k)).collect();
    network.link(plate, nodes[0], series(contact * base_m2, half));
    for pair in nodes.windows(2) {
        network.link(pair[0], pair[1], half / 2.0);
    }
    nodes
}

/// The batteries' outsides to the air, and to each other across the gap.
pub(super) fn surround(network: &mut Network, battery: &Battery, blocks: &[Vec<Node>], air: Node, inside: f64) {
    let layers = blocks[0].len();
    let thick = battery.height_m / as_f64(layers);
    let (long_m2, short_m2) = (battery.length_m * thick, battery.width_m * thick);
    let across = battery.conductivity_across_w_per_m_k;
    // From the mean of a body to its surface: a third of the half-width, as in a slab that cools evenly.
    let to_long = across * long_m2 / (battery.width_m / 6.0);
    let to_short = across * short_m2 / (battery.length_m / 6.0);
    let top = {
        let area = battery.length_m * battery.width_m;
        series(inside * area, battery.conductivity_up_w_per_m_k * area / (thick / 2.0))
    };
    // The gap: still air, and radiation across it.
    let gap = (AIR.conductivity_w_per_m_k / battery.gap_m.max(1e-4) + RADIATION) * long_m2;
    for (index, block) in blocks.iter().enumerate() {
        let neighbours = usize::from(index > 0) + usize::from(index + 1 < blocks.len());
        let open =
            as_f64(2 - neighbours) * series(inside * long_m2, to_long) + 2.0 * series(inside * short_m2, to_short);
        for layer in block {
            network.link(*layer, air, open);
        }
        network.link(block[layers - 1], air, top);
        if let Some(next) = blocks.get(index + 1) {
            for (ours, theirs) in block.iter().zip(next) {
                network.link(*ours, *theirs, series(series(to_long, gap), to_long));
            }
        }
    }
}

/// Half way up a battery, on a face that lies `to_air` of the way from the layers to the air. Half way up is the seam of two layers where
/// their number is even.
fn half_way_up(block: &[Node], to_air: f64, air: Node) -> Vec<(Node, f64)> {
    let to_layer = (1.0 - to_air) / 2.0;
    vec![(block[(block.len() - 1) / 2], to_layer), (block[block.len() / 2], to_layer), (air, to_air)]
}

/// How far the outer faces of a battery lie from the mean of their layer towards what is outside, 0 to 1: of the drop from the mean to
/// the air or the plate, the part within the battery.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Skin {
    /// The long face of every layer, towards the air; nothing where neighbours stand before both.
    pub(super) long: f64,
    /// The short faces of every layer, towards the air.
    pub(super) short: f64,
    /// The top of the uppermost layer, towards the air.
    pub(super) top: f64,
    /// The base of the lowest layer, towards the plate.
    pub(super) base: f64,
}

impl Skin {
    /// The face of every layer that lies farthest towards the air.
    pub(super) const fn side(&self) -> f64 {
        self.long.max(self.short)
    }
}

/// The skin of battery `index`, with so much conductance to the air inside and through the joint to the plate (W/(m² K)). Ends of the
/// row have a long face outside, all have their short ones.
pub(super) fn skin(battery: &Battery, layers: usize, index: usize, inside: f64, contact: f64) -> Skin {
    let part = |outside: f64, within: f64| outside / (outside + within);
    let sideways = |across_m: f64| part(inside, battery.conductivity_across_w_per_m_k / (across_m / 6.0));
    let at_an_end = index == 0 || index + 1 == battery.count;
    let long = if at_an_end { sideways(battery.width_m) } else { 0.0 };
    let half_layer = battery.conductivity_up_w_per_m_k / (battery.height_m / as_f64(layers) / 2.0);
    Skin { long, short: sideways(battery.length_m), top: part(inside, half_layer), base: part(contact, half_layer) }
}

/// The layers of a wall as one body. One layer has its heat in the middle; of several, the heat is where their heat capacities have
/// their mean, counted in resistance, so that it matters which is outside.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Shell {
    /// Of all layers (m).
    pub(super) thickness_m: f64,
    /// Of one material that resists as much (W/(m K)).
    pub(super) conductivity_w_per_m_k: f64,
    /// Heat capacity per volume, the mean of the layers (J/(m³ K)).
    pub(super) volumetric_j_per_m3_k: f64,
    /// Part of the resistance that lies inside of where the heat is, 0 to 1.
    pub(super) inside: f64,
}

impl Shell {
    /// Layers from the outside inwards.
    pub(super) fn of(layers: &[Layer]) -> Self {
        let thickness_m: f64 = layers.iter().map(|layer| layer.thickness_m).sum();
        let resists = |layer: &Layer| layer.thickness_m / layer.material.conductivity_w_per_m_k;
        let holds = |layer: &Layer| layer.thickness_m * volumetric(&layer.material);
        let (resistance, capacity): (f64, f64) = (layers.iter().map(resists).sum(), layers.iter().map(holds).sum());
        let (mut outside, mut moment) = (0.0, 0.0);
        for layer in layers {
            moment += holds(layer) * (outside + resists(layer) / 2.0);
            outside += resists(layer);
        }
        Self {
            thickness_m,
            conductivity_w_per_m_k: thickness_m / resistance,
            volumetric_j_per_m3_k: capacity / thickness_m,
            inside: 1.0 - moment / capacity / resistance,
        }
    }

    /// From the inner face to the heat, and from there to the outer face, of `through` in all (W/K).
    fn halves(&self, through: f64) -> (f64, f64) {
        (through / self.inside, through / (1.0 - self.inside))
    }
}

/// Walls and lid as one body within the insulation.
fn walls(network: &mut Network, enclosure: &Enclosure, air: Node) -> Windward {
    let Enclosure { length_m: l, width_m: w, height_m: h, .. } = *enclosure;
    let shell = Shell::of(&enclosure.walls);
    let t = shell.thickness_m;
    let inner_m2 = 2.0 * (l + w) * h + l * w;
    // The sides reach down to the floor's underside.
    let tall_m = h + t + Shell::of(&enclosure.floor).thickness_m;
    let outer_m2 = 2.0 * (l + w + 4.0 * t) * tall_m + (l + 2.0 * t) * (w + 2.0 * t);
    // Conduction shape factors of a box: faces, edges, corners. Source: Incropera & DeWitt, Fundamentals of Heat and Mass Transfer,
    // Table 4.1, for inner measures above a fifth of the thickness. Four upright edges, four of the lid, four corners. Layers count as
    // one material that resists as much: exact for the faces.
    let shape_m = inner_m2 / t + 0.54 * (4.0 * h + 2.0 * (l + w)) + 0.15 * 4.0 * t;
    let (inwards, outwards) = shell.halves(shell.conductivity_w_per_m_k * shape_m);
    let volume_m3 = t * f64::midpoint(inner_m2, outer_m2);
    let node = network.add(volume_m3 * shell.volumetric_j_per_m3_k);
    network.link(air, node, series(enclosure.inside_w_per_m2_k * inner_m2, inwards));
    Windward { node, solid_w_per_k: outwards, area_m2: outer_m2 }
}

/// The floor as one body within its insulation: under the pad, and beside it under the air. What the wind reaches of it,
/// if anything.
fn floor(
    network: &mut Network,
    enclosure: &Enclosure,
    plate_m2: f64,
    (pad, air): (Node, Node),
    on: StandsOn,
) -> Option<Windward> {
    let Enclosure { length_m: l, width_m: w, .. } = *enclosure;
    let (walls, shell) = (Shell::of(&enclosure.walls), Shell::of(&enclosure.floor));
    let t = shell.thickness_m;
    let inner_m2 = l * w;
    let outer_m2 = (l + 2.0 * walls.thickness_m) * (w + 2.0 * walls.thickness_m);
    // As for the walls; the four lower edges and corners count as the floor's, above its middle as below, lest half of it had
    // none and the whole fell short of the shape factor.
    let through = shell.conductivity_w_per_m_k * (inner_m2 / t + 0.54 * 2.0 * (l + w) + 0.15 * 4.0 * t);
    let (inwards, outwards) = shell.halves(through);
    let node = network.add(t * f64::midpoint(inner_m2, outer_m2) * shell.volumetric_j_per_m3_k);
    let under = (plate_m2 / inner_m2).min(1.0);
    network.link(pad, node, inwards * under);
    let beside = 1.0 - under;
    network.link(air, node, series(enclosure.inside_w_per_m2_k * inner_m2 * beside, inwards * beside));
    match on {
        StandsOn::Air => Some(Windward { node, solid_w_per_k: outwards, area_m2: outer_m2 }),
        StandsOn::Ground(_) => {
            network.edge(node, Boundary::Ground, outwards);
            None
        }
    }
}

/// A thermometer: a small body joined to what it is fixed to, so that lag and self-heating come of themselves.
fn thermometer(network: &mut Network, mounting: &Mounting, fixed_to: &[(Node, f64)], air: Node) -> Node {
    // What warms it by so much for a watt lets a watt out for so much.
    let whole = 1e-3 / mounting.self_heating_k_per_mw;
    let node = network.add(whole * mounting.lag_s);
    let to_air = mounting.air_beside().unwrap_or(1.0);
    network.link(node, air, whole * to_air);
    for &(body, part) in fixed_to {
        network.link(node, body, whole * (1.0 - to_air) * part);
    }
    node
}
