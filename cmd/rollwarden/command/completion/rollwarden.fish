# Completion of rollwarden for fish. Install it as
# /usr/share/fish/vendor_completions.d/rollwarden.fish.
function __rollwarden_replies
    set -l line (commandline -cp)
    set -l replies (COMP_LINE=$line COMP_POINT=(string length -- $line) rollwarden 2>/dev/null)
    if not set -q replies[1]
        __fish_complete_path (commandline -ct)
        return
    end
    # They do not repeat what stands before an equals sign.
    string replace -r '^' (commandline -ct | string match -r '^.*=' || echo '') -- $replies
end
complete -c rollwarden -f -a '(__rollwarden_replies)'
