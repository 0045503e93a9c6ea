package scpi

import "strings"

// Quote writes string data: in double quotes, which are doubled inside.
func Quote(text string) string { return `"` + strings.ReplaceAll(text, `"`, `""`) + `"` }

// Unquote reads string data in single or double quotes.
func Unquote(text string) (string, error) {
	end, err := stringEnd(text)
	if err != nil || end != len(text) {
		return "", ErrAnswer
	}
	inside, q := text[1:end-1], text[:1]
	if strings.Contains(inside, q) {
		inside = strings.ReplaceAll(inside, q+q, q)
	}
	return inside, nil
}

// stringEnd returns where the string data at the beginning of s ends.
func stringEnd(s string) (int, error) {
	if s == "" || s[0] != '"' && s[0] != '\'' {
		return 0, InvalidStringData
	}
	for i := 1; i < len(s); i++ {
		if s[i] != s[0] {
			continue
		}
		if i+1 < len(s) && s[i+1] == s[0] {
			i++
			continue
		}
		return i + 1, nil
	}
	return 0, InvalidStringData
}

// expressionEnd returns where the parentheses at the beginning of s close.
// Strings inside count as one.
func expressionEnd(s string) (int, error) {
	depth := 0
	for i := 0; i < len(s); i++ {
		switch s[i] {
		case '(':
			depth++
		case ')':
			if depth--; depth == 0 {
				return i + 1, nil
			}
		case '"', '\'':
			n, err := stringEnd(s[i:])
			if err != nil {
				return 0, InvalidExpression
			}
			i += n - 1
		}
	}
	return 0, InvalidExpression
}

// SplitAnswer appends the values of an answer to dst: what stands between
// commas and semicolons outside quotes and parentheses, without the white
// space around it. An empty answer has one empty value.
func SplitAnswer(dst []string, line string) ([]string, error) { return split(dst, line, ',') }

// SplitUnits appends the answers that stand in one line to dst: what stands
// between semicolons outside quotes and parentheses.
func SplitUnits(dst []string, line string) ([]string, error) { return split(dst, line, ';') }

// split cuts at semicolons and at one more character, which may be the same.
func split(dst []string, line string, at byte) ([]string, error) {
	from := 0
	for i := 0; i < len(line); i++ {
		n, err := 0, error(nil)
		switch c := line[i]; c {
		case '"', '\'':
			n, err = stringEnd(line[i:])
		case '(':
			n, err = expressionEnd(line[i:])
		case ')':
			return dst, ErrAnswer
		case ';', at:
			dst = append(dst, trim(line[from:i]))
			from = i + 1
			continue
		default:
			continue
		}
		if err != nil {
			return dst, ErrAnswer
		}
		i += n - 1
	}
	return append(dst, trim(line[from:])), nil
}
