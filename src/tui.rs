//! The terminal: screens, keys, themes.
