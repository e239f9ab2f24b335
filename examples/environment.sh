# Sourced by start.sh and tests/run.sh: a virtual environment with the package in it.
# CLEANCHAIN_VENV names its folder; .venv beside the sources where it is not set.
venv=${CLEANCHAIN_VENV:-.venv}

find_python() {
    for python in python3 python3.13 python3.12 python3.11 python; do
        if command -v "$python" >/dev/null 2>&1 &&
            "$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            echo "$python"
            return
        fi
    done
    echo "Python 3.11 or newer is needed; none was found." >&2
    return 1
}

# install WHAT: install the package (. or .[test]) unless its settings are as they were last time.
install() {
    if [ ! -x "$venv/bin/python" ]; then
        echo "making a virtual environment in $venv" >&2
        "$(find_python)" -m venv "$venv"
    fi
    mark="$venv/installed-$(echo "$1" | tr -dc 'a-z')"
    if [ ! -e "$mark" ] || [ pyproject.toml -nt "$mark" ]; then
        echo "installing (a minute or two the first time)" >&2
        "$venv/bin/python" -m pip install --quiet --disable-pip-version-check --editable "$1"
        touch "$mark" "$venv/installed-"
    fi
}
