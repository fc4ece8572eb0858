package seal_test

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/pem"
	"math/big"
	"strings"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/seal"
)

type dsseVectors struct {
	PAE []struct {
		Type, Payload, PAE, PAEHash string
		PAEBytes                    int
	}
	Signature struct{ Type, Payload, Sig, X, Y string }
}

// DSSE v1: the specification's example and three more, among them one whose
// length in characters differs from that in bytes.
func TestPAE(t *testing.T) {
	var v dsseVectors
	vectorJSON(t, "dsse.json", &v)
	for _, tc := range v.PAE {
		t.Run(tc.Type, func(t *testing.T) {
			got := seal.PAE(tc.Type, []byte(tc.Payload))
			if tc.PAE != "" && string(got) != tc.PAE {
				t.Errorf("PAE(%q, %q) = %q, want %q", tc.Type, tc.Payload, got, tc.PAE)
			}
			if tc.PAEBytes != 0 && len(got) != tc.PAEBytes {
				t.Errorf("PAE(%q, %q) is %d bytes, want %d", tc.Type, tc.Payload, len(got), tc.PAEBytes)
			}
			if tc.PAEHash != "" && seal.Sum(got).String() != tc.PAEHash {
				t.Errorf("PAE(%q, %q) hashes to %s, want %s", tc.Type, tc.Payload, seal.Sum(got), tc.PAEHash)
			}
		})
	}
}

func publishedSignature(t *testing.T) (key *ecdsa.PublicKey, typ string, payload, sig []byte) {
	t.Helper()
	var v dsseVectors
	vectorJSON(t, "dsse.json", &v)
	number := func(s string) *big.Int {
		n, ok := new(big.Int).SetString(s, 10)
		if !ok {
			t.Fatalf("%q is no number", s)
		}
		return n
	}
	key = publicKey(t, number(v.Signature.X), number(v.Signature.Y))
	sig, err := base64.StdEncoding.DecodeString(v.Signature.Sig)
	if err != nil {
		t.Fatal(err)
	}
	return key, v.Signature.Type, []byte(v.Signature.Payload), sig
}

// publicKey makes a key from a published point, given as two numbers.
func publicKey(t *testing.T, x, y *big.Int) *ecdsa.PublicKey {
	t.Helper()
	point := append([]byte{4}, append(x.FillBytes(make([]byte, 32)), y.FillBytes(make([]byte, 32))...)...)
	key, err := ecdsa.ParseUncompressedPublicKey(elliptic.P256(), point)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

// otherHalf replaces s by n−s.
func otherHalf(sig []byte) []byte {
	s := new(big.Int).SetBytes(sig[32:])
	out := bytes.Clone(sig)
	s.Sub(elliptic.P256().Params().N, s).FillBytes(out[32:])
	return out
}

// The DSSE specification's published ECDSA signature.
func TestVerifySignature(t *testing.T) {
	key, typ, payload, sig := publishedSignature(t)
	other, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	with := func(change func([]byte)) []byte {
		b := bytes.Clone(sig)
		change(b)
		return b
	}
	order := elliptic.P256().Params().N.FillBytes(make([]byte, 32))
	for _, tc := range []struct {
		name    string
		key     *ecdsa.PublicKey
		typ     string
		payload string
		sig     []byte
		want    string
	}{
		{"as published", key, typ, string(payload), sig, ""},
		{"s replaced by n−s: a signature is no identity", key, typ, string(payload), otherHalf(sig), ""},
		{"payload changed", key, typ, "hello worle", sig, "SIGNATURE_WRONG"},
		{"type changed", key, typ + "/", string(payload), sig, "SIGNATURE_WRONG"},
		{"another key", &other.PublicKey, typ, string(payload), sig, "SIGNATURE_WRONG"},
		{"no key", nil, typ, string(payload), sig, "SIGNATURE_WRONG"},
		{"a bit of r changed", key, typ, string(payload), with(func(b []byte) { b[5] ^= 1 }), "SIGNATURE_WRONG"},
		{"r zero", key, typ, string(payload), with(func(b []byte) { clear(b[:32]) }), "SIGNATURE_MALFORMED"},
		{"s zero", key, typ, string(payload), with(func(b []byte) { clear(b[32:]) }), "SIGNATURE_MALFORMED"},
		{"r the group order", key, typ, string(payload), with(func(b []byte) { copy(b, order) }), "SIGNATURE_MALFORMED"},
		{"s all ones", key, typ, string(payload), with(func(b []byte) { copy(b[32:], bytes.Repeat([]byte{255}, 32)) }), "SIGNATURE_MALFORMED"},
		{"63 bytes", key, typ, string(payload), sig[:63], "SIGNATURE_MALFORMED"},
		{"65 bytes", key, typ, string(payload), append(bytes.Clone(sig), 0), "SIGNATURE_MALFORMED"},
		{"none", key, typ, string(payload), nil, "SIGNATURE_MALFORMED"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if err := seal.VerifySignature(tc.key, tc.typ, []byte(tc.payload), tc.sig); errs.ReasonOf(err) != tc.want || (err != nil) != (tc.want != "") {
				t.Errorf("VerifySignature = %v, want %q", err, tc.want)
			}
		})
	}
}

// RFC 7515 appendix A.3: a raw ES256 signature; its DER form must satisfy the
// standard library's ASN.1 verification.
func TestRawAndDERSignatures(t *testing.T) {
	url := func(s string) []byte {
		b, err := base64.RawURLEncoding.DecodeString(s)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	key := publicKey(t, new(big.Int).SetBytes(url("f83OJ3D2xF1Bg8vub9tLe1gHMzV76e8Tus9uPHvRVEU")),
		new(big.Int).SetBytes(url("x_FEzRu9m36HLN_tue659LNpXW6pCyStikYjKIWI5a0")))
	signed := "eyJhbGciOiJFUzI1NiJ9.eyJpc3MiOiJqb2UiLA0KICJleHAiOjEzMDA4MTkzODAsDQogImh0dHA6Ly9leGFtcGxlLmNvbS9pc19yb290Ijp0cnVlfQ"
	raw := url("DtEhU3ljbEg8L38VWAfUAqOyKAM6-Xx-F4GawxaepmXFCgfTjDxw5djxLa8ISlSApmWQxfKTUJqPP3-Kg6NU1Q")
	der, err := seal.DERSignature(raw)
	if err != nil {
		t.Fatal(err)
	}
	digest := sha256.Sum256([]byte(signed))
	if !ecdsa.VerifyASN1(key, digest[:], der) {
		t.Errorf("the DER form %x does not verify", der)
	}
	if back, err := seal.RawSignature(der); err != nil || !bytes.Equal(back, raw) {
		t.Errorf("RawSignature(DERSignature(%x)) = %x, %v", raw, back, err)
	}
	for _, tc := range []struct {
		name string
		der  []byte
	}{
		{"nothing", nil},
		{"a byte after it", append(bytes.Clone(der), 0)},
		{"cut short", der[:len(der)-1]},
		{"a set", append([]byte{0x31}, der[1:]...)},
		{"negative r", []byte{0x30, 6, 2, 1, 0x80, 2, 1, 1}},
		{"r with a needless zero", []byte{0x30, 7, 2, 2, 0, 1, 2, 1, 1}},
		{"r zero", []byte{0x30, 6, 2, 1, 0, 2, 1, 1}},
		{"a third number", []byte{0x30, 9, 2, 1, 1, 2, 1, 1, 2, 1, 1}},
		{"r of 33 bytes", append(append([]byte{0x30, 38, 2, 33, 1}, make([]byte, 32)...), 2, 1, 1)},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got, err := seal.RawSignature(tc.der); !errs.Is(err, "SIGNATURE_MALFORMED") {
				t.Errorf("RawSignature(%x) = %x, %v; want SIGNATURE_MALFORMED", tc.der, got, err)
			}
		})
	}
	if _, err := seal.DERSignature(raw[1:]); !errs.Is(err, "SIGNATURE_MALFORMED") {
		t.Errorf("DERSignature(63 bytes) = %v, want SIGNATURE_MALFORMED", err)
	}
}

func TestSignIsDeterministicAndVerifies(t *testing.T) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	one, err := seal.Sign(key, seal.EntryType, []byte("{}"))
	if err != nil {
		t.Fatal(err)
	}
	two, err := seal.Sign(key, seal.EntryType, []byte("{}"))
	if err != nil || !bytes.Equal(one, two) {
		t.Errorf("Sign twice = %x and %x, %v", one, two, err)
	}
	if err := seal.VerifySignature(&key.PublicKey, seal.EntryType, []byte("{}"), one); err != nil {
		t.Error(err)
	}
	other, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := seal.Sign(other, seal.EntryType, nil); !errs.Is(err, "KEY_NOT_P256") {
		t.Errorf("Sign with a P-384 key = %v, want KEY_NOT_P256", err)
	}
	if _, err := seal.Sign(nil, seal.EntryType, nil); !errs.Is(err, "KEY_NOT_P256") {
		t.Errorf("Sign without a key = %v, want KEY_NOT_P256", err)
	}
	if _, err := seal.KeyID(&other.PublicKey); !errs.Is(err, "KEY_NOT_P256") {
		t.Errorf("KeyID of a P-384 key = %v, want KEY_NOT_P256", err)
	}
}

func TestParsePublicKey(t *testing.T) {
	file := vectorFile(t, "device-0adc823c1353bbde.pem")
	block, _ := pem.Decode(file)
	p384, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	der384, err := x509.MarshalPKIXPublicKey(&p384.PublicKey)
	if err != nil {
		t.Fatal(err)
	}
	edPub, _, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	derEd, err := x509.MarshalPKIXPublicKey(edPub)
	if err != nil {
		t.Fatal(err)
	}
	offCurve := bytes.Clone(block.Bytes)
	offCurve[len(offCurve)-1] ^= 1
	for _, tc := range []struct {
		name string
		in   []byte
		want string
	}{
		{"PEM", file, ""},
		{"PEM with white space after it", append(bytes.Clone(file), "\n \r\n"...), ""},
		{"DER", block.Bytes, ""},
		{"nothing", nil, "KEY_MALFORMED"},
		{"text before the block", append([]byte("hello\n"), file...), "KEY_MALFORMED"},
		{"two blocks", append(bytes.Clone(file), file...), "KEY_MALFORMED"},
		{"another label", bytes.ReplaceAll(file, []byte("PUBLIC KEY"), []byte("CERTIFICATE")), "KEY_MALFORMED"},
		{"DER with a byte after it", append(bytes.Clone(block.Bytes), 0), "KEY_MALFORMED"},
		{"DER cut short", block.Bytes[:50], "KEY_MALFORMED"},
		{"a point off the curve", offCurve, "KEY_MALFORMED"},
		{"P-384", der384, "KEY_NOT_P256"},
		{"Ed25519", derEd, "KEY_NOT_P256"},
		{"huge", append(bytes.Clone(file), strings.Repeat("\n", 5000)...), "KEY_MALFORMED"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			key, err := seal.ParsePublicKey(tc.in)
			if errs.ReasonOf(err) != tc.want {
				t.Fatalf("ParsePublicKey = %v, want %q", err, tc.want)
			}
			if err != nil {
				return
			}
			if again, err := seal.PublicKeyPEM(key); err != nil || !bytes.Equal(again, file) {
				t.Errorf("PublicKeyPEM = %s, %v; want %s", again, err, file)
			}
		})
	}
}

func FuzzRawSignature(f *testing.F) {
	f.Add([]byte{0x30, 6, 2, 1, 1, 2, 1, 1})
	f.Fuzz(func(t *testing.T, der []byte) {
		raw, err := seal.RawSignature(der)
		if err != nil {
			return
		}
		if again, err := seal.DERSignature(raw); err != nil || !bytes.Equal(again, der) {
			t.Errorf("%x was read as %x and written as %x, %v", der, raw, again, err)
		}
	})
}
