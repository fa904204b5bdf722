//! Which components of one system share a sequence counter.
//!
//! For every two components of a system the numbers that go missing are counted in each
//! alone (by its flow) and in both together as they came. Where the joint sequence misses fewer than
//! each alone, they count with one counter, and the gaps of each are no loss. Two counters
//! of their own miss far more together than apart. Bounded: 6 components a system.

const MOST_COMPONENTS: usize = 6;
const FEWEST_FRAMES: u64 = 3;

/// Numbers as they came.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Steps {
    last: Option<u8>,
    frames: u64,
    missing: u64,
}

impl Steps {
    #[inline]
    pub(super) fn observe(&mut self, number: u8) {
        if let Some(last) = self.last {
            let gap = number.wrapping_sub(last).wrapping_sub(1);
            // A step back is no gap; in a pair of counters half of the switches still are.
            self.missing += if gap < 128 { u64::from(gap) } else { 0 };
        }
        self.last = Some(number);
        self.frames += 1;
    }

    /// Takes a number that follows the last.
    #[inline]
    pub(super) const fn go_on(&mut self, number: u8) {
        self.last = Some(number);
        self.frames += 1;
    }
}

/// The components of one system on one interface.
#[derive(Clone, Debug, Default)]
pub(super) struct Components {
    known: Vec<u8>,
    pairs: Vec<([u8; 2], Steps)>,
}

impl Components {
    /// Whether a component is counted beside the others; the first few are.
    pub(super) fn begin(&mut self, component: u8) -> bool {
        let has_room = self.known.len() < MOST_COMPONENTS;
        if has_room {
            self.pairs.extend(self.known.iter().map(|&other| ([other, component], Steps::default())));
            self.known.push(component);
        }
        has_room
    }

    /// The components that are counted, where there are several.
    pub(super) fn several(&self) -> &[u8] {
        if self.known.len() > 1 { &self.known } else { &[] }
    }

    /// Takes the number of a frame of a component that is counted.
    pub(super) fn observe(&mut self, component: u8, number: u8) {
        for (pair, steps) in &mut self.pairs {
            if pair.contains(&component) {
                steps.observe(number);
            }
        }
    }

    /// A component that shares its counter with this one; `alone` gives the numbers of each.
    pub(super) fn shares_with(&self, component: u8, alone: impl Fn(u8) -> Option<Steps>) -> Option<u8> {
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
