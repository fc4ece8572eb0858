#!/bin/sh
# Run it in the package's top folder. It stops at the first thing that is wrong.
set -eu; t=$(mktemp -d); trap 'rm -r "$t"' EXIT
h() { openssl dgst -sha256 -binary | base64; }
node() { { printf '\001'; echo "$1" | base64 -d; echo "$2" | base64 -d; } | h; }
note() { sed '/^$/,$d' "$1" > "$t/text"; sed -n 's/^— [^ ]* //p' "$1" | while read -r s; do echo "$s" | base64 -d | tail -c +5 > "$t/sig"; openssl pkeyutl -verify -pubin -inkey data/log/log.pem -rawin -in "$t/text" -sigfile "$t/sig" 2>&1 || true; done | grep -q 'Verified Successfully'; }
sha256sum --quiet -c tagmanifest-sha256.txt manifest-sha256.txt; echo "every file has its digest"
note manifest.note; grep -qxF "$(h < manifest-sha256.txt)" manifest.note; echo "the log's key signed the manifest"
n=0; set --; while IFS= read -r line; do r=$({ printf '\000'; printf %s "$line"; } | h); n=$((n + 1)); k=$n
  while [ $((k % 2)) = 0 ]; do r=$(node "$1" "$r"); shift; k=$((k / 2)); done; set -- "$r" "$@"
  printf '%s\n' "$line" | sed -n 's/^{"seq":"[0-9]*","received":"[^"]*","payloadType":"[^"]*","payload":"\([^"]*\)","signatures":\[{"keyid":"\([0-9a-f]*\)","sig":"\([^"]*\)".*/\1 \2 \3/p' | while read -r payload key sig; do
    echo "$payload" | base64 -d > "$t/p"; { printf 'DSSEv1 38 application/vnd.witnessmark.entry+json %d ' "$(wc -c < "$t/p")"; cat "$t/p"; } > "$t/pae"
    x=$(echo "$sig" | base64 -d | od -An -v -tx1 | tr -d ' \n'); printf 'asn1=SEQUENCE:s\n[s]\na=INTEGER:0x%s\nb=INTEGER:0x%s\n' "$(echo "$x" | cut -c 1-64)" "$(echo "$x" | cut -c 65-128)" > "$t/c"
    openssl asn1parse -genconf "$t/c" -noout -out "$t/der"; echo "line $n: key $key: $(openssl dgst -sha256 -verify "data/keys/$key.pem" -signature "$t/der" "$t/pae")"; openssl dgst -sha256 -verify "data/keys/$key.pem" -signature "$t/der" "$t/pae" > "$t/ok"; done; done < data/record.jsonl
r=$1; shift; for l do r=$(node "$l" "$r"); done; grep -qF "\"size\":\"$n\",\"root\":\"$r\"" data/log/leaf.json; echo "$n lines have the root $r"
r=$({ printf '\000'; cat data/log/leaf.json; } | h); i=$(sed 's/.*"index":"\([0-9]*\)".*/\1/' data/log/inclusion.json); s=$(($(sed 's/.*"size":"\([0-9]*\)".*/\1/' data/log/inclusion.json) - 1))
for p in $(sed 's/.*\[//; s/[],"}]/ /g' data/log/inclusion.json); do if [ $((i % 2)) = 1 ] || [ "$i" = "$s" ]; then r=$(node "$p" "$r"); while [ $((i % 2)) = 0 ] && [ "$i" != 0 ]; do i=$((i / 2)); s=$((s / 2)); done; else r=$(node "$r" "$p"); fi; i=$((i / 2)); s=$((s / 2)); done
note data/log/checkpoint.txt; [ "$(sed -n 3p data/log/checkpoint.txt)" = "$r" ]; echo "the log holds this record"
