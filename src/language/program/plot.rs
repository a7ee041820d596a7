//! How a recorded list is drawn.

use crate::program::tree::Number;

/// The sorts of plots.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PlotSort {
    /// A line through the values.
    Line,
    /// Single points.
    Points,
    /// A bar for each value.
    Bars,
    /// A bar for each step of equal width, as high as values fall into it.
    Histogram,
}

/// Every word of a plot, the sort that it chooses, and what it means; limits choose none.
pub(crate) const PLOT_WORDS: [(&str, Option<PlotSort>, &str); 6] = [
    (
        "line",
        Some(PlotSort::Line),
        "drawn as a line: the second field over the first, or a list in order",
    ),
    (
        "points",
        Some(PlotSort::Points),
        "drawn as points: the second field over the first, or a list in order",
    ),
    ("bars", Some(PlotSort::Bars), "drawn as bars, one for each element"),
    ("histogram", Some(PlotSort::Histogram), "drawn as how many values fall into equal steps"),
    ("low", None, "the lower limit in the plot, such as -5 um"),
    ("high", None, "the upper limit in the plot, such as 5 um"),
];

impl PlotSort {
    /// Its word.
    pub fn text(self) -> &'static str {
        let word = PLOT_WORDS.iter().find(|(_, sort, _)| *sort == Some(self));
        word.map_or("", |(word, ..)| word)
    }
}

/// A plot as the script asks for it.
#[derive(Clone, Debug)]
pub struct Plot {
    /// How it is drawn.
    pub sort: PlotSort,
    /// The lower limit.
    pub low: Option<Number>,
    /// The upper limit.
    pub high: Option<Number>,
}

/// A plot of recorded values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlotOf {
    /// How it is drawn.
    pub sort: PlotSort,
    /// The lower limit in SI.
    pub low: Option<f64>,
    /// The upper limit in SI.
    pub high: Option<f64>,
}
