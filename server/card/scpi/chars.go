package scpi

// White space of a program message is what IEEE 488.2, 7.4.1.2 allows of the
// characters that the protocol allows.
func isSpace(c byte) bool  { return c == ' ' || c == '\t' }
func isDigit(c byte) bool  { return c-'0' <= 9 }
func isLetter(c byte) bool { return c|0x20 >= 'a' && c|0x20 <= 'z' }

// isWord reports whether a character may stand in a mnemonic after the first.
func isWord(c byte) bool { return isLetter(c) || isDigit(c) || c == '_' }

func upper(c byte) byte {
	if c >= 'a' && c <= 'z' {
		return c - 'a' + 'A'
	}
	return c
}

// skip returns where white space from i on ends.
func skip(s string, i int) int {
	for i < len(s) && isSpace(s[i]) {
		i++
	}
	return i
}

// sign returns where a sign at i ends.
func sign(s string, i int) int {
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	return i
}

// trim takes white space off both ends.
func trim(s string) string {
	for s != "" && isSpace(s[0]) {
		s = s[1:]
	}
	for s != "" && isSpace(s[len(s)-1]) {
		s = s[:len(s)-1]
	}
	return s
}

// word returns the end of a mnemonic at the beginning of s.
func word(s string) int {
	if s == "" || !isLetter(s[0]) {
		return 0
	}
	i := 1
	for i < len(s) && isWord(s[i]) {
		i++
	}
	return i
}

// maxMnemonic is the largest length of a mnemonic, in characters: IEEE 488.2,
// 7.6.1.4.
const maxMnemonic = 12

// key is a mnemonic in capitals, to be compared at once.
type key [2]uint64

// keyOf is the key of a text of at most 16 characters.
func keyOf(s string) key {
	var k key
	for i := range len(s) {
		k[i>>3] = k[i>>3]<<8 | uint64(upper(s[i]))
	}
	return k
}
