//! What was computed for installations that were looked at before, for one that differs from them a little.
//!
//! Nothing changes what comes out: each thing is kept with all that it depends on.

use super::thermal::Shapes;
use super::{Study, Subject};
use crate::site::Site;
use std::rc::Rc;

/// How many of each are kept: of two installations side by side, each before and after a change.
const KEPT: usize = 4;

/// The latest of what was computed.
#[derive(Debug, Default)]
pub struct Memory {
    shapes: Latest<Shapes>,
    studies: Latest<Study>,
}

impl Memory {
    /// The shapes of a site.
    pub fn shapes(&mut self, site: &Site) -> Rc<Shapes> {
        self.shapes.of(Shapes::basis(site), || Shapes::of(site))
    }

    /// What findings need of a study.
    pub(crate) fn study(&mut self, subject: Subject, shapes: &Shapes) -> Rc<Study> {
        self.studies.of(Study::basis(subject), || Study::for_findings(subject, shapes))
    }
}

/// The latest last, each with what it was made of, as text.
#[derive(Debug)]
struct Latest<T>(Vec<(String, Rc<T>)>);

impl<T> Default for Latest<T> {
    fn default() -> Self {
        Self(Vec::new())
    }
}

impl<T> Latest<T> {
    fn of(&mut self, basis: String, make: impl FnOnce() -> T) -> Rc<T> {
        let known = self.0.iter().position(|(known, _)| *known == basis);
        let kept = match known {
            Some(index) => self.0.remove(index),
            None => (basis, Rc::new(make())),
        };
        let made = Rc::clone(&kept.1);
        self.0.push(kept);
        if self.0.len() > KEPT {
            self.0.remove(0);
        }
        made
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::cell::Cell;

    #[test]
    fn what_is_kept_is_not_made_again_and_the_oldest_goes() {
        let made = Cell::new(0);
        let mut latest = Latest::default();
        let mut ask = |what: usize| {
            let answer = latest.of(what.to_string(), || {
                made.set(made.get() + 1);
                what
            });
            assert_eq!(*answer, what);
            made.get()
        };
        assert_eq!((ask(0), ask(1), ask(0)), (1, 2, 2));
        // So many others push out the one that was asked for longest ago.
        for what in 2..=KEPT {
            ask(what);
        }
        let before = ask(0);
        assert_eq!(ask(1), before + 1);
    }
}
