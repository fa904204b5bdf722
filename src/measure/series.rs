//! What stores keep of every second: the last day by the second, what is older by spans of seconds.
//!
//! Cell 0 is the first second since the first record. The newest 26 h (to whole blocks of 17 minutes: 25.9 to 26.2 h)
//! are kept second by second, however long the session is. What is older is joined to spans of equal length, a power of two
//! and 8 s at least, doubled whenever there would be more than 4,096 of them: 8 s up to 35 h, 16 s up to 44 h, 32 s
//! up to 62 h. So memory is bounded, and figures of a longer session go on with all of it.
//!
//! What a span keeps is each store's own ([`Cell`]): counts are added, levels have their smallest, mean and largest.
//! Where a figure needs a true second (a level with its distance), the first second of each span speaks for all of
//! it, the same in every store, and counts as many times as it has seconds. Which seconds are joined hangs on the
//! number of seconds alone ([`Grid`]): the spans of a store that fell silent are never longer than those of another.

mod blocks;

use std::fmt::Debug;
use std::ops::Range;

pub(crate) use blocks::{BLOCK, Blocks};

/// Whole seconds that are kept one by one: a day and what hangs over.
const MOST_SECONDS: usize = 26 * 3600;
/// Seconds of the narrowest span.
const NARROWEST: usize = 8;

/// How much a store may keep.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Room {
    /// Blocks of seconds.
    blocks: usize,
    spans: usize,
}

impl Room {
    /// The last day by the second.
    pub(crate) const DAY: Self = Self { blocks: MOST_SECONDS.div_ceil(BLOCK), spans: 4 * BLOCK };
    /// For one of very many: the last hour and a half.
    pub(crate) const SHORT: Self = Self { blocks: 5, spans: BLOCK };
}

/// Which seconds are kept by themselves, and which joined to spans.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Grid {
    /// The first second that is kept by itself.
    first: usize,
    /// Seconds of the spans before it; the last one may have fewer.
    width: usize,
}

impl Grid {
    /// After so many seconds.
    pub(crate) const fn of(seconds: usize, room: Room) -> Self {
        let first = seconds.div_ceil(BLOCK).saturating_sub(room.blocks) * BLOCK;
        let mut width = NARROWEST;
        while first.div_ceil(width) > room.spans {
            width *= 2;
        }
        Self { first, width }
    }

    /// The first second that is kept by itself.
    pub(crate) const fn first(self) -> usize {
        self.first
    }

    /// Seconds of a span before it; 1 where there are none.
    pub(crate) const fn width(self) -> usize {
        if self.first == 0 { 1 } else { self.width }
    }

    /// How many cells begin before a second.
    pub(crate) const fn count(self, until: usize) -> usize {
        if until <= self.first {
            until.div_ceil(self.width)
        } else {
            self.first.div_ceil(self.width) + (until - self.first)
        }
    }

    /// The number of the cell that holds a second.
    pub(crate) const fn index(self, second: usize) -> usize {
        if second < self.first { second / self.width } else { self.count(second) }
    }

    /// The seconds of a cell.
    pub(crate) fn cell(self, index: usize) -> Range<usize> {
        let spans = self.first.div_ceil(self.width);
        if index < spans {
            let start = index * self.width;
            return start..(start + self.width).min(self.first);
        }
        let second = self.first + (index - spans);
        second..second + 1
    }

    /// The seconds of the cell that holds a second.
    pub(crate) fn around(self, second: usize) -> Range<usize> {
        self.cell(self.index(second))
    }

    /// All cells with seconds from one to before another.
    pub(crate) fn cells(
        self,
        from: usize,
        to: usize,
    ) -> impl DoubleEndedIterator<Item = Range<usize>> + Clone {
        (self.index(from)..self.count(to)).map(move |index| self.cell(index))
    }
}

/// Takes items evenly by the seconds that each stands for, about one in `step` seconds.
pub(crate) fn thinned<T>(items: impl Iterator<Item = (usize, T)>, step: usize) -> impl Iterator<Item = T> {
    let (mut seconds, mut due) = (0, 0);
    items.filter_map(move |(more, item)| {
        let is_due = seconds >= due;
        seconds += more;
        while is_due && due < seconds {
            due += step;
        }
        is_due.then_some(item)
    })
}

/// What a store keeps of one second.
pub(crate) trait Cell: Copy + Debug {
    /// What it keeps of several.
    type Span: Copy + Debug;
    /// A second without anything.
    const EMPTY: Self;
    /// A span without anything.
    const NOTHING: Self::Span;

    /// Takes one second of a span into it, of this place in it.
    fn put(self, span: &mut Self::Span, place: usize);

    /// Two spans side by side as one.
    fn join(one: Self::Span, other: Self::Span) -> Self::Span;
}

/// Something of which the first second of a span speaks for all of it.
pub(crate) trait FirstSpeaks: Copy + Debug {
    /// Nothing.
    const NONE: Self;
}

impl<T: FirstSpeaks> Cell for T {
    type Span = Self;
    const EMPTY: Self = Self::NONE;
    const NOTHING: Self = Self::NONE;

    fn put(self, span: &mut Self, place: usize) {
        if place == 0 {
            *span = self;
        }
    }

    fn join(one: Self, _: Self) -> Self {
        one
    }
}

/// What one store keeps of all seconds; copies share it.
#[derive(Clone, Debug)]
pub(crate) struct Series<T: Cell> {
    room: Room,
    grid: Grid,
    seconds: Blocks<T>,
    spans: Blocks<T::Span>,
}

impl<T: Cell> Default for Series<T> {
    fn default() -> Self {
        Self::new()
    }
}

impl<T: Cell> Series<T> {
    pub(crate) const fn new() -> Self {
        let room = Room::DAY;
        Self {
            room,
            grid: Grid::of(0, room),
            seconds: Blocks::new(T::EMPTY, room.blocks * BLOCK),
            spans: Blocks::new(T::NOTHING, room.spans),
        }
    }

    /// Bytes that a copy does not share once the session goes on.
    pub(crate) fn own_bytes(&self) -> usize {
        self.seconds.own_bytes() + self.spans.own_bytes()
    }

    /// How many seconds there are, empty ones among them.
    pub(crate) const fn len(&self) -> usize {
        self.seconds.len()
    }

    /// Which of them are kept by themselves.
    pub(crate) const fn grid(&self) -> Grid {
        self.grid
    }

    /// From now on there is so much room.
    pub(crate) fn keep(&mut self, room: Room) {
        if room != self.room {
            self.room = room;
            self.seconds.keep_at_most(room.blocks * BLOCK);
            self.spans.keep_at_most(room.spans);
            self.fold();
        }
    }

    /// A second; `None` beyond the newest and where it is joined to others.
    pub(crate) fn get(&self, second: usize) -> Option<T> {
        self.seconds.get(second)
    }

    /// Seconds of a range that are kept by themselves, with their numbers.
    pub(crate) fn range(&self, from: usize, to: usize) -> impl DoubleEndedIterator<Item = (usize, T)> + '_ {
        self.seconds.range(from, to)
    }

    /// All cells with seconds from one to before another, seconds as spans of one: their seconds, what is kept of them.
    pub(crate) fn spans(
        &self,
        from: usize,
        to: usize,
    ) -> impl DoubleEndedIterator<Item = (Range<usize>, T::Span)> + '_ {
        self.grid.cells(from, to.min(self.len())).map(|cell| {
            let span = self.span_of(&cell);
            (cell, span)
        })
    }

    /// The cell that holds a second; `None` beyond the newest.
    pub(crate) fn around(&self, second: usize) -> Option<(Range<usize>, T::Span)> {
        let cell = self.grid.around(second);
        (second < self.len()).then(|| (cell.clone(), self.span_of(&cell)))
    }

    fn span_of(&self, cell: &Range<usize>) -> T::Span {
        let mut span = T::NOTHING;
        match self.get(cell.start) {
            Some(second) => second.put(&mut span, 0),
            None => span = self.spans.get(cell.start / self.grid.width).unwrap_or(span),
        }
        span
    }

    /// The newest second; `None` before the first.
    pub(crate) const fn newest_mut(&mut self) -> Option<&mut T> {
        self.seconds.newest_mut()
    }

    /// A second to write to; all up to it are there then. `None` where it is joined to others.
    pub(crate) fn second_mut(&mut self, second: usize) -> Option<&mut T> {
        if second >= self.len() {
            self.seconds.reach(second + 1);
            if second / BLOCK >= self.grid.first / BLOCK + self.room.blocks {
                self.fold();
            }
        }
        self.seconds.cell_mut(second)
    }

    /// The span that a second is joined to; `None` where it is kept by itself.
    pub(crate) fn span_mut(&mut self, second: usize) -> Option<&mut T::Span> {
        if second < self.grid.first { self.spans.cell_mut(second / self.grid.width) } else { None }
    }

    /// Says what a second brought, unless it is joined to others by now.
    pub(crate) fn set(&mut self, second: usize, cell: T) {
        if let Some(kept) = self.second_mut(second) {
            *kept = cell;
        }
    }

    /// Joins what is no longer of the last day.
    fn fold(&mut self) {
        let grid = Grid::of(self.len(), self.room);
        // A smaller room is never left again.
        while self.grid.width < grid.width {
            self.spans.join_pairs(T::join);
            self.grid.width *= 2;
        }
        let (spans, width) = (&mut self.spans, self.grid.width);
        self.seconds.let_go_before(grid.first, |first, block| {
            for (second, cell) in (first..).zip(block) {
                if let Some(span) = spans.cell_mut(second / width) {
                    cell.put(span, second % width);
                }
            }
        });
        self.grid.first = self.seconds.first();
    }
}

/// What is kept of several numbers, some of which may be absent.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Numbers {
    /// That of the span's first second. NaN: it has none.
    first: f32,
    pub(crate) min: f32,
    pub(crate) mean: f32,
    pub(crate) max: f32,
    count: u32,
}

impl Numbers {
    /// `None` where there is no number.
    pub(crate) fn known(self) -> Option<Self> {
        (self.count > 0).then_some(self)
    }
}

impl Cell for f32 {
    type Span = Numbers;
    const EMPTY: Self = Self::NAN;
    const NOTHING: Numbers =
        Numbers { first: Self::NAN, min: Self::INFINITY, mean: 0.0, max: Self::NEG_INFINITY, count: 0 };

    fn put(self, span: &mut Numbers, place: usize) {
        if self.is_nan() {
            return;
        }
        if place == 0 {
            span.first = self;
        }
        let one = Numbers { first: self, min: self, mean: self, max: self, count: 1 };
        *span = Self::join(*span, one);
    }

    fn join(one: Numbers, other: Numbers) -> Numbers {
        let count = one.count + other.count;
        let share = if count == 0 { 0.0 } else { other.count as Self / count as Self };
        Numbers {
            first: one.first,
            min: one.min.min(other.min),
            mean: one.mean + (other.mean - one.mean) * share,
            max: one.max.max(other.max),
            count,
        }
    }
}

impl Series<f32> {
    /// The number of a second, kept by itself or the first of its span; `None` where there is none, or it is not
    /// kept.
    pub(crate) fn number(&self, second: usize) -> Option<f32> {
        let number = match self.get(second) {
            Some(number) => number,
            None => self.around(second).filter(|(cell, _)| cell.start == second)?.1.first,
        };
        (!number.is_nan()).then_some(number)
    }

    /// The number of a second, or the mean of the span that it is joined to.
    pub(crate) fn about(&self, second: usize) -> Option<f32> {
        self.around(second)?.1.known().map(|numbers| numbers.mean)
    }

    /// What is known of each cell with seconds from one to before another.
    pub(crate) fn known(&self, from: usize, to: usize) -> impl Iterator<Item = (Range<usize>, Numbers)> + '_ {
        self.spans(from, to).filter_map(|(cell, numbers)| Some((cell, numbers.known()?)))
    }

    /// Forgets the numbers of seconds; a span that one of them is joined to goes as a whole.
    pub(crate) fn blank(&mut self, seconds: Range<usize>) {
        for second in seconds.start..seconds.end.min(self.len()) {
            if let Some(kept) = self.seconds.cell_mut(second) {
                *kept = f32::EMPTY;
            } else if let Some(span) = self.span_mut(second) {
                *span = f32::NOTHING;
            }
        }
    }

    /// The newest day's numbers, absent ones among them.
    #[cfg(feature = "internals")]
    pub(crate) fn of_the_day(&self) -> impl Iterator<Item = Option<f32>> + '_ {
        self.range(0, usize::MAX).map(|(_, number)| (!number.is_nan()).then_some(number))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use crate::measure::series::*;

    const SMALL: Room = Room { blocks: 2, spans: 40 };

    /// What is to be kept of seconds, from all of them.
    fn numbers_of(seconds: &[f32]) -> Numbers {
        let mut span = f32::NOTHING;
        for (place, number) in seconds.iter().enumerate() {
            number.put(&mut span, place);
        }
        span
    }

    fn near(one: Numbers, other: Numbers) -> bool {
        let same = |a: f32, b: f32| a == b || (a.is_nan() && b.is_nan());
        let (low, high) = (same(one.min, other.min), same(one.max, other.max));
        low && high
            && one.count == other.count
            && same(one.first, other.first)
            && (one.mean - other.mean).abs() < 1e-2
    }

    proptest! {
        /// A plain vector of all seconds is the oracle, however far apart they come and wherever one is copied.
        #[test]
        fn every_second_counts_in_its_cell(
            steps in prop::collection::vec((1_usize..3000, -100_f32..0.0), 1..40),
        ) {
            let (mut series, mut plain) = (Series::<f32>::new(), Vec::<f32>::new());
            series.keep(SMALL);
            let mut copies = Vec::new();
            for (step, number) in steps {
                // Every second of a short step, only the last of a long one.
                let until = plain.len() + step;
                while plain.len() < until {
                    let here = if step < 1000 || plain.len() + 1 == until { number } else { f32::NAN };
                    let second = plain.len();
                    plain.push(here + second as f32 / 1e3);
                    if !here.is_nan() {
                        series.set(second, plain[second]);
                    }
                }
                copies.push((series.clone(), plain.clone()));
            }
            for (series, plain) in copies {
                let grid = Grid::of(plain.len(), SMALL);
                prop_assert_eq!(series.grid(), grid);
                let mut next = 0;
                for (cell, numbers) in series.spans(0, usize::MAX) {
                    prop_assert_eq!(cell.start, next);
                    prop_assert!(near(numbers, numbers_of(&plain[cell.clone()])), "{:?}", cell);
                    let first = Some(plain[cell.start]).filter(|number| !number.is_nan());
                    prop_assert_eq!(series.number(cell.start), first);
                    prop_assert!(cell.len() == 1 || series.number(cell.start + 1).is_none());
                    next = cell.end;
                }
                prop_assert_eq!(next, plain.len());
                prop_assert!(grid.count(plain.len()) <= SMALL.blocks * BLOCK + SMALL.spans);
            }
        }

        /// Cells lie side by side, and those of a longer session hold whole cells of a shorter one.
        #[test]
        fn cells_nest(seconds in 1_usize..3_000_000, more in 0_usize..3_000_000, second in 0_usize..6_000_000) {
            let (young, old) = (Grid::of(seconds, Room::DAY), Grid::of(seconds + more, Room::DAY));
            let cell = old.around(second);
            prop_assert!(cell.contains(&second));
            prop_assert_eq!(old.cell(old.index(second)), cell.clone());
            prop_assert_eq!(old.around(cell.end).start, cell.end);
            prop_assert_eq!(old.count(cell.end), old.index(second) + 1);
            if second < seconds {
                let before = young.around(second);
                prop_assert!(cell.start <= before.start && before.end <= cell.end.max(before.end));
                prop_assert!(before.end <= cell.end || before.end > seconds);
            }
            let by_itself = seconds - young.first().min(seconds);
            prop_assert!(seconds <= MOST_SECONDS || by_itself >= MOST_SECONDS - BLOCK);
            prop_assert!(seconds > MOST_SECONDS || young.first() == 0);
        }
    }

    /// Three days take what the first minutes took, and the spans.
    #[test]
    fn three_days_take_no_more_than_one() {
        let mut series = Series::<f32>::new();
        let day = Room::DAY.blocks * BLOCK * size_of::<f32>();
        let spans = Room::DAY.spans * size_of::<Numbers>();
        for second in 0..3 * 86_400 {
            series.set(second, second as f32);
            let bytes = series.seconds.bytes() + series.spans.bytes();
            assert!(bytes <= day + if second < MOST_SECONDS { 0 } else { spans }, "{second}: {bytes}");
        }
        let of_the_day = 2 * 86_400;
        assert_eq!(series.number(of_the_day), Some(of_the_day as f32));
        // A stamp that jumps by 290 years.
        series.set(9_000_000_000, 1.0);
        assert!(series.seconds.bytes() + series.spans.bytes() <= day + spans);
        let known: u64 = series.known(0, usize::MAX).map(|(_, numbers)| u64::from(numbers.count)).sum();
        assert_eq!(known, 3 * 86_400 + 1);
    }

    /// Only the block and the span's block that are written to are a copy's own.
    #[test]
    fn copies_share_what_is_joined() {
        let mut series = Series::<f32>::new();
        for second in 0..200_000 {
            series.set(second, 1.0);
        }
        let own = series.own_bytes();
        assert!(own < BLOCK * (size_of::<f32>() + size_of::<Numbers>()) + 2_000, "{own}");
        let copy = series.clone();
        for second in 200_000..210_000 {
            series.set(second, 2.0);
        }
        assert_eq!(copy.known(0, usize::MAX).map(|(_, numbers)| numbers.max).reduce(f32::max), Some(1.0));
        assert_eq!(copy.grid(), Grid::of(200_000, Room::DAY));
    }

    #[test]
    fn items_are_thinned_by_the_seconds_they_stand_for() {
        let plain = |step| thinned((0..100).map(|item| (1, item)), step).collect::<Vec<usize>>();
        for step in [1, 2, 7, 100, 1000] {
            assert_eq!(plain(step), (0..100).step_by(step).collect::<Vec<_>>());
        }
        let mixed = (0..10).map(|item| (8, item)).chain((10..90).map(|item| (1, item)));
        assert_eq!(thinned(mixed, 16).collect::<Vec<_>>(), [0, 2, 4, 6, 8, 10, 26, 42, 58, 74]);
    }
}
