#compdef rollwarden
# Completion of rollwarden for zsh. Install it as _rollwarden in a folder of
# $fpath, such as /usr/share/zsh/vendor-completions.
local line=${(j: :)words[1,CURRENT]}
local -a replies
replies=(${(f)"$(COMP_LINE=$line COMP_POINT=${#line} $words[1] 2>/dev/null)"})
(( $#replies )) || { _files; return }
compset -P '*=' # which the replies do not repeat
compadd -S '' -- ${(M)replies:#*=} # their values come next
compadd -- ${replies:#*=}
