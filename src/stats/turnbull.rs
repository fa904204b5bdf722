//! Non-parametric maximum likelihood from interval-censored data.
