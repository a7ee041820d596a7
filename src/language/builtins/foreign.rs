//! Names that routines have in other languages, and the built-in that is meant.

/// What is meant by the name of a routine in other languages.
pub(crate) fn foreign_name(name: &str) -> Option<&'static str> {
    Some(match name {
        "max" | "maximum" => "the larger of two is `larger(a, b)`, of a list `largest(xs)`",
        "min" | "minimum" => "the smaller of two is `smaller(a, b)`, of a list `smallest(xs)`",
        "std" | "stdev" | "stddev" | "sd" => "the standard deviation is `deviation(xs)`",
        "quantile" | "quantiles" => "the value below 90 % of a list is `percentile(xs, 90 %)`",
        "polyfit" | "linregress" => "a straight line is fitted by `linear_fit(xs, ys)`",
        "average" | "avg" => "the average is `mean(xs)`",
        "len" | "length" | "size" => "the number of elements is `count(xs)`",
        "append" | "push" | "add" => "a list grows with `xs = xs + [x]`",
        "range" => "a range is written `0..n`: from 0 up to but without n",
        "print" | "println" | "printf" | "echo" => "a line is printed with `note \"...\"`",
        "sleep" | "delay" => "time passes with `wait 200 ms`",
        "assert" => "a check is `expect \"label\": value <= limit`",
        "round" => "`rounded(x, step: 0.1 mm)` rounds to whole steps",
        "ceil" => "it is called `ceiling`",
        "log" => "the natural logarithm is `ln(x)`, the decimal one `log10(x)`",
        "pow" => "a whole power is written `x^2`; others are `power(x, 0.5)`",
        "atan2" | "atan" => "it is called `arctan(y, x)`",
        "asin" | "acos" => "they are called `arcsin` and `arccos`",
        "pi" => "half a turn is `180 deg`; as a plain number `180 deg / 1 rad`",
        "stop" | "halt" => "the polygon is stopped by `brake()`, or runs out after `coast()`",
        _ => return None,
    })
}
