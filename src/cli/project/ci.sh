#!/bin/sh
# What a build server runs: reports of the checker, the style, and the tests with their results as JUnit.
set -eu
spintrue check bring_up.spt
spintrue fmt --check bring_up.spt lib/*.spt tests/*.spt
spintrue test --junit tests.xml
