# Completion of rollwarden for bash. Install it as
# /usr/share/bash-completion/completions/rollwarden, or source it.
_rollwarden() {
	local IFS=$'\n' reply
	COMPREPLY=($(COMP_LINE=$COMP_LINE COMP_POINT=$COMP_POINT "$1" 2>/dev/null))
	for reply in "${COMPREPLY[@]}"; do
		[[ $reply != *= ]] || compopt -o nospace # its value comes next
	done
}
complete -o default -F _rollwarden rollwarden
