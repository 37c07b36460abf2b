#compdef linkprobe
# Completion of linkprobe for zsh.
_linkprobe() {
    local -a answer plain described
    local type value help
    answer=("${(@f)$(COMP_WORDS="${(pj:\n:)words}" COMP_CWORD=$((CURRENT - 1)) _LINKPROBE_COMPLETE=complete_zsh $words[1] 2>/dev/null)}")
    for type value help in "${answer[@]}"; do
        [[ $type == plain ]] || continue
        if [[ $help == _ ]]; then
            plain+=("$value")
        else
            described+=("$value:$help")
        fi
    done
    if (( ${#plain} + ${#described} == 0 )); then
        _files # where linkprobe offers nothing
        return
    fi
    (( ${#described} )) && _describe -V linkprobe described
    (( ${#plain} )) && compadd -V linkprobe-plain -a plain
}
if [[ $zsh_eval_context[-1] == loadautofunc ]]; then
    _linkprobe "$@"
else
    compdef _linkprobe linkprobe
fi
