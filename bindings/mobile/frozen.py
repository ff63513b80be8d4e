"""The generated Swift parses, and its public surface is the one that was reviewed.

    frozen.py check SWIFT SURFACE      says what differs; exit code 1
    frozen.py write SWIFT SURFACE      writes the surface anew, to be committed and reviewed
"""

import difflib
import re
import sys
from pathlib import Path

import tree_sitter_swift
from tree_sitter import Language, Parser

# What UniFFI makes for itself begins so; it is another with every version of it.
OWN = re.compile(r"FfiConverter|Uniffi|uniffi|RustBuffer|ForeignBytes|NoHandle|NoPointer|unsafeFromHandle|\bhandle\b|[Nn]oHandle")
KEPT = {"class_declaration", "protocol_declaration", "function_declaration", "init_declaration", "property_declaration",
        "protocol_function_declaration", "enum_entry"}


def errors(node):
    if node.type == "ERROR" or node.is_missing:
        yield node
    elif node.has_error:
        for child in node.children:
            yield from errors(child)


def head(node, source):
    """A declaration without its body, its documentation and its attributes, on one line."""
    body = node.child_by_field_name("body")
    end = body.start_byte if body else node.end_byte
    text = source[node.start_byte:end].decode()
    text = re.sub(r"///[^\n]*|/\*.*?\*/", "", text, flags=re.S)
    return re.sub(r"\s+", " ", text).strip().rstrip("{").strip()


def surface(node, source, depth=0):
    for child in node.children:
        if child.type not in KEPT:
            # An enum's cases and a class's members stand one level down.
            if child.type in {"class_body", "enum_class_body", "protocol_body"}:
                yield from surface(child, source, depth)
            continue
        line = head(child, source)
        is_public = "public" in line or "open " in line or child.type == "enum_entry"
        # The protocol beside each class says the same again.
        doubled = child.type == "protocol_declaration" and "Protocol" in line
        if not is_public or doubled or OWN.search(line) or line.startswith("extension"):
            continue
        if child.type == "property_declaration":
            line = re.sub(r" *[={].*", "", line)
        yield "    " * depth + line
        if child.type == "class_declaration":
            yield from surface(child, source, depth + 1)


def parse(source):
    # The grammar does not know this attribute; it is no part of what is called.
    source = source.replace(b"@_documentation(visibility: private)", b"")
    # Nor a closure of nothing but the unit value, which is Swift.
    source = source.replace(b"let writeReturn = { () }", b"let writeReturn = { nil }")
    return Parser(Language(tree_sitter_swift.language())).parse(source).root_node, source


def main(mode, swift, frozen):
    source = Path(swift).read_bytes()
    tree, text = parse(source)
    found = list(errors(tree))
    for node in found[:5]:
        print(f"{swift}:{node.start_point[0] + 1}: does not parse: {text[node.start_byte:node.end_byte][:80]!r}")
    if found:
        return 1
    # A grammar that takes anything would prove nothing: broken copies must be caught.
    for n, (whole, broken) in enumerate([(b"public func ", b"public fnc "), (b"-> Logged", b"-> -> Logged"), (b"}\n}", b"}\n")]):
        if not list(errors(parse(source.replace(whole, broken, 1))[0])):
            print(f"the grammar did not catch broken copy {n}")
            return 1
    lines = list(surface(tree, text))
    if len(lines) < 150:
        print(f"only {len(lines)} declarations were found; this script no longer reads what is generated")
        return 1
    now = "\n".join(lines) + "\n"
    if mode == "write":
        Path(frozen).write_text(now)
        print(f"{len(lines)} declarations written")
        return 0
    known = Path(frozen).read_text()
    if now != known:
        print("".join(difflib.unified_diff(known.splitlines(True), now.splitlines(True), frozen, "generated")))
        print("The surface has changed. If that is meant: bindings/mobile/check --write, and commit it.")
        return 1
    print(f"Swift parses; {len(lines)} declarations as reviewed")
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:4]))
