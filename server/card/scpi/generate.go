package scpi

import "strconv"

// AppendMessage writes units as one message to the end of dst, without LF:
// every header in short form and from the root, numbers as NR3. Units must be
// the tree's own; one that is not is left out.
func (t *Tree) AppendMessage(dst []byte, units ...Unit) []byte {
	from := len(dst)
	for _, u := range units {
		e := t.commands[u.ID]
		if e == nil {
			continue
		}
		if len(dst) > from {
			dst = append(dst, ';')
		}
		dst = e.appendUnit(dst, u)
	}
	return dst
}

func (e *entry) appendUnit(dst []byte, u Unit) []byte {
	dst = append(dst, e.before...)
	if e.suffix {
		dst = append(strconv.AppendInt(dst, int64(max(u.Suffix, 1)), 10), e.after...)
	}
	params := e.params
	if u.Query {
		dst, params = append(dst, '?'), e.query
	}
	for i, v := range u.Values {
		if i >= len(params) {
			break
		}
		if i == 0 {
			dst = append(dst, ' ')
		} else {
			dst = append(dst, ',')
		}
		dst = v.append(dst, &params[i].Param)
	}
	return dst
}

// append writes a parameter.
func (v Value) append(dst []byte, as *Param) []byte {
	switch v.Kind {
	case Boolean:
		if v.On {
			return append(dst, "ON"...)
		}
		return append(dst, "OFF"...)
	case ChannelList:
		return AppendChannelList(dst, v.List)
	case String:
		return append(dst, Quote(v.Text)...)
	}
	if v.Word >= 0 && v.Word < len(as.Words) {
		return append(dst, ShortForm(as.Words[v.Word])...)
	}
	return AppendNR3(dst, v.Number)
}
