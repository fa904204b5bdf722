//! Which components of one system share a sequence counter.
//!
//! For every two components of a system the numbers that go missing are counted in each
//! alone and in both together as they came. Where the joint sequence misses fewer than
//! each alone, they count with one counter, and the gaps of each are no loss. Two counters
//! of their own miss far more together than apart. Bounded: 6 components a system.

const MOST_COMPONENTS: usize = 6;
const FEWEST_FRAMES: u64 = 3;

#[derive(Clone, Copy, Debug, Default)]
struct Steps {
    last: Option<u8>,
    frames: u64,
    missing: u64,
}

impl Steps {
    fn observe(&mut self, number: u8) {
        if let Some(last) = self.last {
            let gap = number.wrapping_sub(last).wrapping_sub(1);
            // A step back is no gap; in a pair of counters half of the switches still are.
            self.missing += if gap < 128 { u64::from(gap) } else { 0 };
        }
        self.last = Some(number);
        self.frames += 1;
    }
}

/// The components of one system on one interface.
#[derive(Clone, Debug, Default)]
pub(super) struct Components {
    alone: Vec<(u8, Steps)>,
    pairs: Vec<([u8; 2], Steps)>,
}

impl Components {
    /// The place of a component, which begins to be counted; `None` where there are too many.
    pub(super) fn place(&mut self, component: u8) -> Option<usize> {
        let known = self.alone.iter().position(|(known, _)| *known == component);
        known.or_else(|| self.begin(component))
    }

    /// Takes the number of a frame of the component at a place.
    pub(super) fn observe(&mut self, place: usize, number: u8) {
        let (component, steps) = &mut self.alone[place];
        steps.observe(number);
        for (pair, steps) in &mut self.pairs {
            if pair.contains(component) {
                steps.observe(number);
            }
        }
    }

    fn begin(&mut self, component: u8) -> Option<usize> {
        let index = Some(self.alone.len()).filter(|&count| count < MOST_COMPONENTS)?;
        self.pairs.extend(self.alone.iter().map(|&(other, _)| ([other, component], Steps::default())));
        self.alone.push((component, Steps::default()));
        Some(index)
    }

    /// A component that shares its counter with this one.
    pub(super) fn shares_with(&self, component: u8) -> Option<u8> {
        let alone =
            |wanted: u8| self.alone.iter().find(|(known, _)| *known == wanted).map(|(_, steps)| *steps);
        self.pairs.iter().find_map(|(pair, joint)| {
            let other = match *pair {
                [one, other] | [other, one] if one == component => other,
                _ => return None,
            };
            let (a, b) = (alone(component)?, alone(other)?);
            let enough = a.frames.min(b.frames) >= FEWEST_FRAMES;
            (enough && joint.missing < a.missing.min(b.missing)).then_some(other)
        })
    }
}
