//! Places for labels in a drawing without overlap.

/// An upright rectangle of a drawing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Area {
    pub(super) left: f64,
    pub(super) top: f64,
    pub(super) right: f64,
    pub(super) bottom: f64,
}

impl Area {
    pub(super) const fn about((x, y): (f64, f64), wide: f64, high: f64) -> Self {
        Self { left: x - wide / 2.0, top: y - high / 2.0, right: x + wide / 2.0, bottom: y + high / 2.0 }
    }

    pub(super) const fn middle(&self) -> (f64, f64) {
        (f64::midpoint(self.left, self.right), f64::midpoint(self.top, self.bottom))
    }

    pub(super) fn meets(&self, other: &Self) -> bool {
        self.left < other.right && other.left < self.right && self.top < other.bottom && other.top < self.bottom
    }

    pub(super) fn holds(&self, other: &Self) -> bool {
        self.left <= other.left && other.right <= self.right && self.top <= other.top && other.bottom <= self.bottom
    }

    pub(super) fn holds_point(&self, (x, y): (f64, f64)) -> bool {
        (self.left..=self.right).contains(&x) && (self.top..=self.bottom).contains(&y)
    }
}

/// The occupied areas within the bounds of a picture.
#[derive(Clone, Debug)]
pub(super) struct Taken {
    bounds: Area,
    areas: Vec<Area>,
}

/// Directions from a mark in which to look for its label's place. Diagonals come first: they hide least of an edge
/// under the mark.
const DIRECTIONS: [(f64, f64); 8] =
    [(1.0, -1.0), (-1.0, -1.0), (1.0, 1.0), (-1.0, 1.0), (0.0, -1.0), (1.0, 0.0), (-1.0, 0.0), (0.0, 1.0)];

impl Taken {
    pub(super) const fn within(bounds: Area) -> Self {
        Self { bounds, areas: Vec::new() }
    }

    pub(super) fn take(&mut self, area: Area) {
        self.areas.push(area);
    }

    pub(super) fn is_free(&self, area: &Area) -> bool {
        self.bounds.holds(area) && !self.areas.iter().any(|taken| taken.meets(area))
    }

    /// Takes the nearest free place beside a mark for a label of this size, between the distances `from` and `to`;
    /// `None` if all is full.
    pub(super) fn beside(&mut self, (x, y): (f64, f64), wide: f64, high: f64, from: f64, to: f64) -> Option<Area> {
        let at = |(right, down): (f64, f64), off: f64| {
            Area::about((x + right * (wide / 2.0 + off), y + down * (high / 2.0 + off)), wide, high)
        };
        let rounds = (0..60).map(|round| from + f64::from(round) * 4.0).take_while(|off| *off <= to);
        let mut places = rounds.flat_map(|off| DIRECTIONS.map(|direction| at(direction, off)));
        let found = places.find(|place| self.is_free(place))?;
        self.take(found);
        Some(found)
    }

    /// Takes the cheapest free place of those given, each with its cost; the first of equals.
    pub(super) fn cheapest(&mut self, places: impl Iterator<Item = (Area, f64)>) -> Option<Area> {
        let mut best: Option<(Area, f64)> = None;
        for (place, cost) in places {
            if best.is_none_or(|(_, least)| cost < least) && self.is_free(&place) {
                best = Some((place, cost));
            }
        }
        let (place, _) = best?;
        self.take(place);
        Some(place)
    }
}
