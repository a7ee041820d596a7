//! How a number depends on the script's params: a sum of products of params, or, where that is
//! not simple, only which params it depends on. Uses nothing else.

use std::rc::Rc;

/// Most factors in one product.
const MAX_FACTORS: usize = 3;
/// Most products in one sum.
const MAX_TERMS: usize = 8;
/// Params that can be told apart.
const MAX_PARAMS: usize = 63;

/// Params as a set, by their index.
pub(super) type Params = u64;

/// One param as a set.
pub(super) fn set_of(param: usize) -> Params {
    1 << param.min(MAX_PARAMS)
}

/// Products of params, each with its factor; no params is the constant.
pub(super) type Terms = Vec<(Vec<u8>, f64)>;

/// How a number depends on params; its value is kept beside it.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Form {
    /// The sum; none is the value itself.
    terms: Option<Rc<Terms>>,
    /// Params that the number depends on in some other way: it holds for their present values.
    pub held: Params,
}

/// Adds a product to a sum.
fn add(terms: &mut Terms, product: Vec<u8>, factor: f64) {
    match terms.iter_mut().find(|(known, _)| *known == product) {
        Some((_, sum)) => *sum += factor,
        None => terms.push((product, factor)),
    }
}

impl Form {
    /// A param itself.
    pub(super) fn param(index: usize) -> Form {
        match u8::try_from(index) {
            Ok(short) if index < MAX_PARAMS => {
                Form { terms: Some(Rc::new(vec![(vec![short], 1.0)])), held: 0 }
            }
            _ => Form::held(set_of(index)),
        }
    }

    /// A value that depends on params in no simple way.
    pub(super) fn held(held: Params) -> Form {
        Form { terms: None, held }
    }

    /// It depends on no param.
    pub(super) fn is_fixed(&self) -> bool {
        self.terms.is_none() && self.held == 0
    }

    /// All params that it depends on.
    pub(super) fn params(&self) -> Params {
        let terms = self.terms.iter().flat_map(|terms| terms.iter());
        terms.flat_map(|(product, _)| product).fold(self.held, |all, p| all | set_of((*p).into()))
    }

    /// The sum, for a number of this value.
    pub(super) fn terms(&self, value: f64) -> Terms {
        match &self.terms {
            Some(terms) => terms.to_vec(),
            None => vec![(Vec::new(), value)],
        }
    }

    fn from(terms: Terms, held: Params) -> Form {
        let fits = terms.len() <= MAX_TERMS
            && terms
                .iter()
                .all(|(product, factor)| product.len() <= MAX_FACTORS && factor.is_finite());
        let form = Form { terms: Some(Rc::new(terms)), held };
        if fits { form } else { Form::held(form.params()) }
    }

    /// Of the sum of two numbers, the second one times `sign`.
    #[must_use]
    pub(super) fn plus(&self, value: f64, other: &Form, other_value: f64, sign: f64) -> Form {
        let held = self.held | other.held;
        if self.terms.is_none() && other.terms.is_none() {
            return Form::held(held);
        }
        let mut terms = self.terms(value);
        for (product, factor) in other.terms(other_value) {
            add(&mut terms, product, sign * factor);
        }
        Form::from(terms, held)
    }

    /// Of the product of two numbers.
    #[must_use]
    pub(super) fn times(&self, value: f64, other: &Form, other_value: f64) -> Form {
        let held = self.held | other.held;
        if self.terms.is_none() && other.terms.is_none() {
            return Form::held(held);
        }
        let mut terms = Terms::new();
        for (a, x) in self.terms(value) {
            for (b, y) in other.terms(other_value) {
                let mut product = [a.as_slice(), b.as_slice()].concat();
                product.sort_unstable();
                add(&mut terms, product, x * y);
            }
        }
        Form::from(terms, held)
    }
}

#[cfg(test)]
mod tests {
    use super::Form;

    #[test]
    fn sums_and_products_of_params() {
        let (fixed, a, b) = (Form::default(), Form::param(0), Form::param(1));
        // (a + 2) * b, with a = 3 and b = 5.
        let sum = a.plus(3.0, &fixed, 2.0, 1.0);
        let product = sum.times(5.0, &b, 5.0);
        assert_eq!(product.terms(25.0), [(vec![0, 1], 1.0), (vec![1], 2.0)]);
        assert_eq!(product.params(), 3);
        let square = product.times(25.0, &product, 25.0);
        assert_eq!(square.terms(625.0), [(vec![], 625.0)]);
        assert_eq!(square.held, 3);
    }
}
