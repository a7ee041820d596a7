" Checks a script of spintrue by `:make`, and takes the reports into the quickfix list.
if exists('current_compiler') | finish | endif
let current_compiler = 'spintrue'

CompilerSet makeprg=spintrue\ check\ %:S
CompilerSet errorformat=%E[E%n]\ Error:\ %m,%W[W%n]\ Warning:\ %m,%Z%.%#[\ %f:%l:%c\ ]%.%#,%-G%.%#
