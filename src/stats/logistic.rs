//! Logistic regression with a weak prior and a base chance.
