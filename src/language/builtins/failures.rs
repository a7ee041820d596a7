//! What the checks have decided so far, and failures with a kind for `fail`.

use crate::builtins::records::{FAILURE, datum, made};
use crate::builtins::signature::{
    Arguments, Builtin, Effect, Parameter, Spec, Trouble, general, required,
};
use crate::program::failure::FailureKind;
use crate::program::value::{Datum, Value};

const MESSAGE: &[Parameter] = &[required("message", Spec::Text, "what went wrong, in one line")];

/// The built-ins of this topic.
pub(super) const BUILTINS: &[Builtin] = &[
    Builtin {
        name: "all_conform",
        returns: Spec::Flag,
        // It changes from call to call, so that a `let` with it is no constant.
        effects: &[Effect::Reads],
        meaning: "Whether every check that this run has made so far conforms: none fails, none is undecided. True before the first check; a check that is still to come does not count. In a shell, each entry is a run of its own.",
        example: "expect \"facets\": facet_count() >= 1\nif all_conform() {\n    note \"good so far\"\n}",
        ..general(|context, _| Ok(Datum::Flag(context.all_conform)))
    },
    Builtin {
        name: "fault",
        parameters: MESSAGE,
        returns: Spec::Record(&FAILURE),
        meaning: "A failure of the head or what belongs to it, for `fail`: the run then ends as one whose head failed, not as one whose check failed.",
        example: "try {\n    fail fault(\"the clamp is open\")\n} catch problem {\n    expect \"kind\": problem.kind == \"fault\"\n}",
        ..general(|_, arguments| failure(FailureKind::Fault, arguments))
    },
    Builtin {
        name: "timeout",
        parameters: MESSAGE,
        returns: Spec::Record(&FAILURE),
        meaning: "A failure to get there in time, for `fail`: the run then ends as one whose head failed, not as one whose check failed.",
        example: "try {\n    wait until locked() within 1 s else fail timeout(\"no lock\")\n} catch problem {\n    expect \"kind\": problem.kind == \"timeout\"\n}",
        ..general(|_, arguments| failure(FailureKind::Timeout, arguments))
    },
];

fn failure(kind: FailureKind, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let message = arguments.text(0);
    Ok(datum(made(
        &FAILURE,
        &[
            ("kind", Datum::Value(Value::text(kind.text()))),
            ("message", Datum::Value(Value::text(message))),
            ("place", Datum::Value(Value::text(""))),
        ],
    )))
}
