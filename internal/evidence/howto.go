package evidence

import (
	_ "embed"
	"fmt"
	"strings"

	"witnessmark/internal/seal"
)

//go:embed check.sh
var checkScript string

// howto is HOWTO.txt: how a stranger checks the package with tools that every
// system has. The script in it is the one that the tests run.
func howto(m Meta, leaf seal.LogLeaf, signedLine uint64) string {
	var b strings.Builder
	fmt.Fprintf(&b, `HOW TO CHECK THIS PACKAGE WITHOUT TRUSTING ANYBODY

Job %s, %d lines, root
%s
Key of the log %s: SHA-256 of its DER form
%s

WHAT IS HERE
  data/record.jsonl          the record: one line for each thing that was
                             stated, in order, up to sign-off and lock
  data/addenda.jsonl         what came after the lock, if anything did
  data/refused.jsonl         what was refused and kept aside, if anything was
  data/photos/  data/files/  the originals, each named by its SHA-256
  data/derived/              made from the rest, to be read: report.html is for
                             people, verdicts.jsonl for machines. The record
                             decides where they differ.
  data/procedure.yaml        what was asked, with every limit and its source
  data/names.json            who stands behind the ids
  data/keys/                 public keys of the devices that signed
  data/log/                  the proof that the record stands in the log

1. EVERY FILE IS THERE AND WHOLE
   sha256sum -c tagmanifest-sha256.txt manifest-sha256.txt
   manifest.note is signed by the log's key over the digest of the manifest.

2. A DEVICE SIGNED IT
   The signed bytes are the DSSE v1 pre-authentication encoding of the payload,
   the signature is ECDSA P-256 with SHA-256.
`, m.Job, leaf.Size, leaf.Root, m.LogOrigin, m.LogKey.Public().Fingerprint())
	if signedLine > 0 {
		fmt.Fprintf(&b, `   Where a device signed line %d, which ends the record, both are ready made:
   for f in data/signatures/%d-*.der; do k=${f##*-}; openssl dgst -sha256 \
     -verify "data/keys/${k%%.der}.pem" -signature "$f" "${f%%.der}.pae"; done
   The script below makes the others.
`, signedLine, signedLine)
	}
	fmt.Fprintf(&b, `
3. ALL LINES ARE THERE, UNCHANGED, AND STAND IN THE LOG
   Each line, without its line feed, is a leaf: SHA-256(0x00 || line). Two nodes
   make one: SHA-256(0x01 || left || right). The tree is that of RFC 9162,
   section 2.1. Its root stands in data/log/leaf.json; inclusion.json leads from
   that leaf to the root in data/log/checkpoint.txt, which the log's key signed.

4. IS IT THE RIGHT KEY?
   The key in this package proves only that the package agrees with itself.
   Get the key's fingerprint another way, from the organisation or from an
   earlier package, and compare it with
   openssl pkey -pubin -in data/log/log.pem -outform DER | sha256sum

ALL OF IT AT ONCE
   Needed: sh, sha256sum, openssl 3, base64, sed, od. In the top folder:
   sed -n '/^#!\/bin\/sh/,/^# end/p' data/HOWTO.txt > ../check.sh
   sh ../check.sh && echo "nothing wrong found"

   The program witnessmark-verify checks more: the chains of the devices, that
   the sign-off is over the lines before it and by another than the doers, that
   every photo is there, and every verdict by calculating it again.

%s# end of the script
`, checkScript)
	return b.String()
}
