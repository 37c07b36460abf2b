# Completion of linkprobe for bash. The functions of bash-completion keep the colons of an address in one word.
_linkprobe() {
    local cur words cword line IFS=$'\n'
    _get_comp_words_by_ref -n : cur words cword || return
    COMPREPLY=()
    for line in $(COMP_WORDS="${words[*]}" COMP_CWORD=$cword _LINKPROBE_COMPLETE=complete_bash "$1" 2>/dev/null); do
        if [[ $line == plain,* ]]; then
            COMPREPLY+=("$(printf %q "${line#plain,}")")
        fi
    done
    __ltrim_colon_completions "$cur"
}
# Where linkprobe offers nothing, files are.
complete -o default -F _linkprobe linkprobe
