//! Colours and attributes. Three themes, each safe for colour-blind eyes, and one
//! without any colour; no meaning hangs on colour alone. Colours of states are used for states only.
//!
//! Hues are those of Okabe and Ito, "Color Universal Design" (2008): bluish green,
//! yellow, orange, vermillion, sky blue, blue and reddish purple, taken at the nearest place of the
//! 256-colour table (so that plain terminals and ssh show them too) and darkened
//! for light backgrounds until text reaches a contrast of 4.5 (7 in sunlight) as
//! WCAG 2.2, success criteria 1.4.3 and 1.4.6, count it. A test counts it.

use ratatui::style::{Color, Modifier, Style};

use crate::snapshot::LinkState;

/// Which theme.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ThemeName {
    /// Bright on dark, for evenings and benches.
    #[default]
    Dark,
    /// Dark on light.
    Light,
    /// Black on white, bold, few colours, filled plots.
    Sunlight,
}

impl ThemeName {
    /// All, in the order in which a key steps through them.
    pub const ALL: [Self; 3] = [Self::Dark, Self::Light, Self::Sunlight];

    /// The word that names it on the command line.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Dark => "dark",
            Self::Light => "light",
            Self::Sunlight => "sunlight",
        }
    }

    /// The theme of this name.
    #[must_use]
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|theme| theme.word() == word)
    }

    /// The one after it.
    #[must_use]
    pub const fn next(self) -> Self {
        match self {
            Self::Dark => Self::Light,
            Self::Light => Self::Sunlight,
            Self::Sunlight => Self::Dark,
        }
    }
}

/// How a trend is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stroke {
    /// A fine line of dots.
    Line,
    /// Filled from below with blocks: more ink for bright light.
    Fill,
}

/// The styles of one theme.
#[derive(Clone, Copy, Debug)]
pub struct Theme {
    /// Text and background.
    pub base: Style,
    /// Secondary text.
    pub dim: Style,
    /// Figures that matter.
    pub strong: Style,
    /// Headings.
    pub title: Style,
    /// Rules and axes.
    pub rule: Style,
    /// Keys in hints.
    pub key: Style,
    /// Levels and other first series.
    pub level: Style,
    /// Three series side by side.
    pub series: [Style; 3],
    /// Freeze level, limits.
    pub limit: Style,
    /// Ground under the freeze limit, and of frozen columns.
    pub tint: Style,
    /// Marks set by hand.
    pub mark: Style,
    /// Text in a state, by the order of [`state_index`].
    pub state: [Style; 5],
    /// A band in a state, likewise.
    pub band: [Style; 5],
    /// How trends are drawn.
    pub stroke: Stroke,
}

const fn state_index(state: LinkState) -> usize {
    match state {
        LinkState::Good => 0,
        LinkState::Warning => 1,
        LinkState::Alarm => 2,
        LinkState::Failing => 3,
        LinkState::Heard | LinkState::Silent | LinkState::Unknown => 4,
    }
}

const fn fg(colour: u8) -> Style {
    Style::new().fg(Color::Indexed(colour))
}

const fn on(text: u8, ground: u8) -> Style {
    Style::new().fg(Color::Indexed(text)).bg(Color::Indexed(ground))
}

const fn bold(style: Style) -> Style {
    style.add_modifier(Modifier::BOLD)
}

/// Bright on dark.
const DARK: Theme = Theme {
    base: on(252, 233),
    dim: fg(246),
    strong: bold(fg(231)),
    title: bold(fg(117)),
    rule: fg(240),
    key: bold(fg(117)),
    level: fg(117),
    series: [fg(117), fg(254), fg(69)],
    limit: bold(fg(231)),
    tint: Style::new().bg(Color::Indexed(235)),
    mark: bold(fg(69)),
    state: [bold(fg(36)), bold(fg(221)), bold(fg(208)), bold(fg(175)), fg(250)],
    band: [bold(on(16, 36)), bold(on(16, 221)), bold(on(16, 208)), bold(on(16, 175)), bold(on(16, 250))],
    stroke: Stroke::Line,
};

/// Dark on light.
const LIGHT: Theme = Theme {
    base: on(235, 231),
    dim: fg(240),
    strong: bold(fg(16)),
    title: bold(fg(24)),
    rule: fg(248),
    key: bold(fg(24)),
    level: fg(24),
    series: [fg(24), fg(16), fg(60)],
    limit: bold(fg(16)),
    tint: Style::new().bg(Color::Indexed(254)),
    mark: bold(fg(60)),
    state: [bold(fg(23)), bold(fg(94)), bold(fg(124)), bold(fg(90)), fg(240)],
    band: [bold(on(231, 23)), bold(on(16, 221)), bold(on(231, 124)), bold(on(231, 90)), bold(on(231, 240))],
    stroke: Stroke::Line,
};

/// Black on white.
const SUNLIGHT: Theme = Theme {
    base: bold(on(16, 231)),
    dim: fg(16),
    strong: bold(fg(16)),
    title: bold(fg(18)),
    rule: fg(16),
    key: bold(fg(18)),
    level: fg(18),
    series: [fg(18), fg(16), fg(54)],
    limit: bold(fg(16)),
    tint: Style::new(),
    mark: bold(fg(54)),
    state: [bold(fg(16)), bold(on(16, 226)), bold(on(231, 88)), bold(on(231, 16)), bold(fg(16))],
    band: [bold(on(231, 22)), bold(on(16, 226)), bold(on(231, 88)), bold(on(231, 16)), bold(on(16, 252))],
    stroke: Stroke::Fill,
};

const REVERSED: Style = Style::new().add_modifier(Modifier::REVERSED).add_modifier(Modifier::BOLD);
const BOLD: Style = Style::new().add_modifier(Modifier::BOLD);
const PLAIN: Style = Style::new();

/// Attributes alone.
const COLOURLESS: Theme = Theme {
    base: PLAIN,
    dim: PLAIN,
    strong: BOLD,
    title: BOLD,
    rule: PLAIN,
    key: BOLD,
    level: PLAIN,
    series: [PLAIN, BOLD, PLAIN],
    limit: BOLD,
    tint: PLAIN,
    mark: BOLD,
    state: [PLAIN, BOLD, REVERSED, REVERSED, PLAIN],
    band: [BOLD, REVERSED, REVERSED, REVERSED, BOLD],
    stroke: Stroke::Line,
};

impl Theme {
    /// The theme of this name.
    #[must_use]
    pub const fn named(name: ThemeName) -> &'static Self {
        match name {
            ThemeName::Dark => &DARK,
            ThemeName::Light => &LIGHT,
            ThemeName::Sunlight => &SUNLIGHT,
        }
    }

    /// The one without colours, for NO_COLOR.
    #[must_use]
    pub const fn colourless() -> &'static Self {
        &COLOURLESS
    }

    /// Text in a state.
    #[must_use]
    pub const fn of(&self, state: LinkState) -> Style {
        self.state[state_index(state)]
    }

    /// A band in a state.
    #[must_use]
    pub const fn band(&self, state: LinkState) -> Style {
        self.band[state_index(state)]
    }
}

#[cfg(test)]
mod tests {
    use crate::tui::theme::*;

    /// Red, green and blue of the 256-colour table's cube and greys (16 to 255).
    fn rgb(colour: Color) -> [f64; 3] {
        let Color::Indexed(index) = colour else { panic!("{colour:?} is not of the table") };
        assert!(index >= 16, "the first 16 are the terminal's own");
        if index >= 232 {
            let grey = 8.0 + 10.0 * f64::from(index - 232);
            return [grey; 3];
        }
        let cube = index - 16;
        let part = |step: u8| if step == 0 { 0.0 } else { 55.0 + 40.0 * f64::from(step) };
        [part(cube / 36), part(cube / 6 % 6), part(cube % 6)]
    }

    /// Relative luminance, WCAG 2.2.
    fn luminance(colour: Color) -> f64 {
        let linear = rgb(colour).map(|part| {
            let part = part / 255.0;
            if part <= 0.04045 { part / 12.92 } else { ((part + 0.055) / 1.055).powf(2.4) }
        });
        0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    }

    fn contrast(one: Color, other: Color) -> f64 {
        let (one, other) = (luminance(one), luminance(other));
        (one.max(other) + 0.05) / (one.min(other) + 0.05)
    }

    #[test]
    fn contrast_of_black_on_white_is_21() {
        // WCAG 2.2: "contrast ratios can range from 1 to 21".
        assert!((contrast(Color::Indexed(16), Color::Indexed(231)) - 21.0).abs() < 1e-9);
    }

    #[test]
    fn every_text_reaches_its_contrast() {
        for (name, least) in [(ThemeName::Dark, 4.5), (ThemeName::Light, 4.5), (ThemeName::Sunlight, 7.0)] {
            let theme = Theme::named(name);
            let ground = theme.base.bg.unwrap();
            let single = [
                theme.base,
                theme.dim,
                theme.strong,
                theme.title,
                theme.key,
                theme.level,
                theme.limit,
                theme.mark,
            ];
            let all = single.into_iter().chain(theme.series).chain(theme.state).chain(theme.band);
            for style in all {
                let ratio = contrast(style.fg.unwrap(), style.bg.unwrap_or(ground));
                assert!(ratio >= least, "{name:?} {style:?}: {ratio:.1}");
                if let (None, Some(tint)) = (style.bg, theme.tint.bg) {
                    let ratio = contrast(style.fg.unwrap(), tint);
                    assert!(ratio >= least, "{name:?} {style:?} on the tint: {ratio:.1}");
                }
            }
        }
    }

    /// A colour is a hue that stands for something: black, white and greys are none.
    fn hue(colour: Option<Color>) -> Option<Color> {
        colour.filter(|colour| {
            let [red, green, blue] = rgb(*colour);
            red != green || green != blue
        })
    }

    #[test]
    fn colours_of_states_are_used_for_states_only() {
        for name in ThemeName::ALL {
            let theme = Theme::named(name);
            let states =
                theme.state.into_iter().chain(theme.band).flat_map(|style| [hue(style.fg), hue(style.bg)]);
            let states: Vec<Color> = states.flatten().collect();
            let others =
                [theme.base, theme.dim, theme.strong, theme.title, theme.rule, theme.key, theme.level];
            let others = others.into_iter().chain(theme.series).chain([theme.limit, theme.tint, theme.mark]);
            for colour in others.flat_map(|style| [hue(style.fg), hue(style.bg)]).flatten() {
                assert!(!states.contains(&colour), "{name:?}: {colour:?}");
            }
        }
    }

    #[test]
    fn words_name_themes() {
        for theme in ThemeName::ALL {
            assert_eq!(ThemeName::parse(theme.word()), Some(theme));
        }
        assert_eq!(ThemeName::parse("beige"), None);
    }
}
