# To be sourced by the run.sh of a folder below: makes a temporary folder, $work, that goes at the end,
# brings a script and the packages that it is locked to there, and enters it.
#
#     . "$here/../npm.sh" && bring "$here" SCRIPT

bring() { # the folder with package.json, its script
    work=$(mktemp -d)
    trap 'rm -rf "$work"' EXIT INT TERM
    cp "$1/package.json" "$1/package-lock.json" "$1/$2" "$work"
    cd "$work"
    npm ci --prefer-offline --no-audit --no-fund --ignore-scripts >npm.log 2>&1 || {
        cat npm.log >&2
        echo "npm ci failed for $1" >&2
        exit 1
    }
}
