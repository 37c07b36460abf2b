# Completion of linkprobe for fish.
function __linkprobe_offer
    set -l words (commandline -cp)
    for line in (env _LINKPROBE_COMPLETE=complete_fish COMP_WORDS="$words" COMP_CWORD=(commandline -t) linkprobe 2>/dev/null)
        string match -q 'plain,*' -- $line; and string replace 'plain,' '' -- $line
    end
end
# Where linkprobe offers nothing, files are.
complete -c linkprobe -n 'test -n "$(__linkprobe_offer)"' -f -a '(__linkprobe_offer)'
