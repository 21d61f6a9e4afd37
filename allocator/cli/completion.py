"""Completion scripts for shells, made from the commands themselves."""

from __future__ import annotations

import argparse
from collections.abc import Iterator

SHELLS = ("bash", "zsh", "fish")


def completion_script(parser: argparse.ArgumentParser, shell: str) -> str:
    """The script that teaches a shell the commands, options and choices of ``parser``.

    ``shell``: one of :data:`SHELLS`. Use it as ``source <(allocator completion bash)``.
    """
    commands = dict(_commands(parser))
    if shell == "fish":
        return _fish(parser.prog, commands)
    script = _bash(parser.prog, commands)
    return f"autoload -Uz bashcompinit && bashcompinit\n{script}" if shell == "zsh" else script


def _commands(
    parser: argparse.ArgumentParser,
) -> Iterator[tuple[str, tuple[str, argparse.ArgumentParser]]]:
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            helps = {choice.dest: choice.help or "" for choice in action._choices_actions}
            for name, command in action.choices.items():
                yield name, (helps.get(name, ""), command)


def _options(command: argparse.ArgumentParser) -> list[str]:
    return [option for action in command._actions for option in action.option_strings]


def _words(command: argparse.ArgumentParser) -> list[str]:
    """The fixed words that a command's arguments may be."""
    return [
        str(word)
        for action in command._actions
        if not action.option_strings
        for word in action.choices or ()
    ]


def _choices(command: argparse.ArgumentParser) -> dict[str, list[str]]:
    """The values of options that have fixed ones."""
    return {
        option: [str(word) for word in action.choices]
        for action in command._actions
        if action.choices
        for option in action.option_strings
    }


def _bash(prog: str, commands: dict[str, tuple[str, argparse.ArgumentParser]]) -> str:
    cases = []
    for name, (_, command) in commands.items():
        for option, values in _choices(command).items():
            cases.append(f'    {name}:{option}) words="{" ".join(values)}" ;;')
        words = " ".join([*_options(command), *_words(command)])
        cases.append(f'    {name}:*) words="{words}" ;;')
    listed = "\n".join(cases)
    names = " ".join([*commands, "--help", "--version"])
    return f"""_{prog}() {{
  local current="${{COMP_WORDS[COMP_CWORD]}}" before="${{COMP_WORDS[COMP_CWORD-1]}}" words=""
  if [ "$COMP_CWORD" -eq 1 ]; then
    COMPREPLY=($(compgen -W "{names}" -- "$current"))
    return
  fi
  case "${{COMP_WORDS[1]}}:$before" in
{listed}
  esac
  COMPREPLY=($(compgen -W "$words" -- "$current"))
}}
complete -o default -F _{prog} {prog}
"""


def _fish(prog: str, commands: dict[str, tuple[str, argparse.ArgumentParser]]) -> str:
    lines = []
    for name, (told, command) in commands.items():
        lines.append(f"complete -c {prog} -n __fish_use_subcommand -a {name} -d {_quoted(told)}")
        inside = f"complete -c {prog} -n '__fish_seen_subcommand_from {name}'"
        words = _words(command)
        if words:
            lines.append(f"{inside} -a '{' '.join(words)}'")
        for action in command._actions:
            options = [_fish_option(option) for option in action.option_strings]
            if not options:
                continue
            values = f" -x -a '{' '.join(map(str, action.choices))}'" if action.choices else ""
            needs = " -r" if action.nargs is None and not action.choices else ""
            told = _quoted(action.help or "")
            lines.append(f"{inside} {' '.join(options)}{values}{needs} -d {told}")
    return "\n".join(lines) + "\n"


def _fish_option(option: str) -> str:
    return f"-l {option[2:]}" if option.startswith("--") else f"-s {option[1:]}"


def _quoted(text: str) -> str:
    return "'" + text.replace("%%", "%").replace("\\", "\\\\").replace("'", "\\'") + "'"
