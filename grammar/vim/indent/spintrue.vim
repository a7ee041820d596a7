" Indents of scripts, as `spintrue fmt` sets them: by brackets, and once more for a statement that goes on.
if exists('b:did_indent') | finish | endif
let b:did_indent = 1

setlocal nocindent indentexpr=SpintrueIndent(v:lnum) indentkeys=0{,0},0),0],o,O,0=within,0=else
let b:undo_indent = 'setlocal indentexpr< indentkeys<'

" A line without texts and comments.
function! s:Code(number) abort
    let line = substitute(getline(a:number), '"\%(\\.\|[^"\\]\)*"\?', '""', 'g')
    return substitute(line, '\s*//.*$', '', '')
endfunction

" How much deeper it is behind a line than at its beginning, closing brackets at its beginning aside.
function! s:Opens(code) abort
    let code = substitute(a:code, '^\%(\s\|[\])}]\)*', '', '')
    let depth = 0
    for sign in split(code, '\zs')
        let depth += sign =~# '[\[({]' ? 1 : sign =~# '[\])}]' ? -1 : 0
    endfor
    return depth > 0 ? 1 : depth < 0 ? -1 : 0
endfunction

" Whether a line goes on with the one before.
function! s:GoesOn(number) abort
    let before = s:Code(prevnonblank(a:number - 1))
    return s:Code(a:number) =~# '^\s*\%(within\|else\|every\|and\|or\|mod\)\>' || before =~# '[^=]=$\|\%(±\|+-\|[-+*/<>^]\|\<and\|\<or\|[<>=!]=\)$'
endfunction

" How far a line stands in, after the one before it.
function! SpintrueIndent(number) abort
    let before = prevnonblank(a:number - 1)
    if before == 0 | return 0 | endif
    let [code, own] = [s:Code(before), s:Code(a:number)]
    " Effects of a routine stand two steps in.
    if own =~# '^\s*may ' | return indent(before) + 2 * shiftwidth() | endif
    let depth = s:Opens(code) - (code =~# '^\s*may ' ? 2 : 0)
    let depth += s:GoesOn(a:number) - (s:Opens(code) <= 0 ? s:GoesOn(before) : 0)
    return indent(before) + shiftwidth() * (depth - (own =~# '^\s*[\])}]'))
endfunction
