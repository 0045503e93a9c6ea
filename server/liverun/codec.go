package liverun

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"hash/fnv"
	"math"

	"ohmkeep/server/procedure"
)

// A kept picture, little-endian, complete: one that is read back goes on as if
// it had never been written.
//
//	0   version (1)
//	1   mark of the shape's axes (8): those of another shape draw something else
//	9   number of readings (8)
//	17  number of curves (1)
//	18  per curve: group (2), pin (1), point of the halves (4), number of X
//	    halves, of Y halves and of points (4 each); the halves, X before Y:
//	    value (8), hollow (1); the points' X (8 each), Y (8 each), hollow (a bit
//	    each, the lowest first)
//	-4  CRC-32C (RFC 3720) of all before
const (
	pictureVersion = 1
	pictureHead    = 18
	curveHead      = 19
	halfSize       = 9
)

var (
	le         = binary.LittleEndian
	castagnoli = crc32.MakeTable(crc32.Castagnoli)
)

func checksum(data []byte) uint32 { return crc32.Checksum(data, castagnoli) }

// ErrPicture is a kept picture that cannot be used: damaged, of another version
// of the program, or of another shape.
var ErrPicture = errors.New("not a picture of this measurement")

// shapeMark returns the fingerprint of a shape's axes, which decide how
// readings are gathered: a picture of other axes cannot be used.
func shapeMark(s *procedure.Shape) uint64 {
	h := fnv.New64a()
	for _, a := range []procedure.Axis{s.X, s.Y} {
		fmt.Fprintf(h, "%d %s %t,", a.Pin, a.Quantity, a.Log)
	}
	fmt.Fprint(h, s.Merge)
	return h.Sum64()
}

// Append encodes the picture at the end of dst.
func (p *Picture) Append(dst []byte) []byte {
	start := len(dst)
	dst = append(dst, pictureVersion)
	dst = le.AppendUint64(dst, shapeMark(&p.shape))
	dst = le.AppendUint64(dst, uint64(p.readings))
	dst = append(dst, byte(len(p.curves)))
	for _, k := range p.curves {
		dst = k.appendTo(dst)
	}
	return le.AppendUint32(dst, checksum(dst[start:]))
}

func (k *curve) appendTo(dst []byte) []byte {
	dst = le.AppendUint16(dst, k.key.group)
	dst = append(dst, k.key.pin)
	dst = le.AppendUint32(dst, k.at)
	for _, n := range []int{len(k.xs), len(k.ys), len(k.points)} {
		dst = le.AppendUint32(dst, uint32(n))
	}
	for _, halves := range [][]half{k.xs, k.ys} {
		for _, h := range halves {
			dst = le.AppendUint64(dst, math.Float64bits(h.value))
			dst = append(dst, bit(h.hollow))
		}
	}
	for i := range k.points {
		dst = le.AppendUint64(dst, math.Float64bits(k.points[i].x))
	}
	for i := range k.points {
		dst = le.AppendUint64(dst, math.Float64bits(k.points[i].y))
	}
	bits := len(dst)
	dst = append(dst, make([]byte, (len(k.points)+7)/8)...)
	for i := range k.points {
		dst[bits+i/8] |= bit(k.points[i].hollow) << (i % 8)
	}
	return dst
}

func bit(b bool) byte {
	if b {
		return 1
	}
	return 0
}

// DecodePicture decodes a kept picture of that shape. Anything else is
// ErrPicture.
func DecodePicture(data []byte, shape procedure.Shape) (*Picture, error) {
	if len(data) < pictureHead+4 || data[0] != pictureVersion {
		return nil, fmt.Errorf("%w: %d bytes of another version", ErrPicture, len(data))
	}
	body, sum := data[:len(data)-4], le.Uint32(data[len(data)-4:])
	if checksum(body) != sum {
		return nil, fmt.Errorf("%w: wrong checksum", ErrPicture)
	}
	if le.Uint64(body[1:]) != shapeMark(&shape) {
		return nil, fmt.Errorf("%w: other axes", ErrPicture)
	}
	p := NewPicture(shape)
	p.readings = int64(le.Uint64(body[9:]))
	n := int(body[17])
	if p.readings < 0 || n > maxCurves {
		return nil, fmt.Errorf("%w: %d readings, %d curves", ErrPicture, p.readings, n)
	}
	rest := body[pictureHead:]
	for range n {
		k, after, err := decodeCurve(rest)
		if err != nil {
			return nil, err
		}
		if _, twice := p.at[k.key]; twice {
			return nil, fmt.Errorf("%w: a curve comes twice", ErrPicture)
		}
		rest = after
		p.at[k.key] = len(p.curves)
		p.curves = append(p.curves, k)
	}
	if len(rest) > 0 {
		return nil, fmt.Errorf("%w: %d bytes too many", ErrPicture, len(rest))
	}
	return p, nil
}

func decodeCurve(data []byte) (*curve, []byte, error) {
	if len(data) < curveHead {
		return nil, nil, fmt.Errorf("%w: cut off", ErrPicture)
	}
	k := &curve{key: curveKey{le.Uint16(data), data[2]}, at: le.Uint32(data[3:])}
	xs, ys, n := int(le.Uint32(data[7:])), int(le.Uint32(data[11:])), int(le.Uint32(data[15:]))
	if xs > maxHalves || ys > maxHalves || xs > 0 && ys > 0 || n > curveRoom {
		return nil, nil, fmt.Errorf("%w: a curve of %d, %d and %d points", ErrPicture, xs, ys, n)
	}
	data = data[curveHead:]
	bits := (n + 7) / 8
	if len(data) < (xs+ys)*halfSize+n*16+bits {
		return nil, nil, fmt.Errorf("%w: cut off", ErrPicture)
	}
	var err error
	if k.xs, data, err = decodeHalves(data, xs); err != nil {
		return nil, nil, err
	}
	if k.ys, data, err = decodeHalves(data, ys); err != nil {
		return nil, nil, err
	}
	k.points = make([]point, n)
	for i := range k.points {
		k.points[i] = point{math.Float64frombits(le.Uint64(data[8*i:])), math.Float64frombits(le.Uint64(data[8*(n+i):])), data[16*n+i/8]>>(i%8)&1 == 1}
	}
	if n%8 != 0 && data[16*n+bits-1]>>(n%8) != 0 {
		return nil, nil, fmt.Errorf("%w: marks of points that are not there", ErrPicture)
	}
	return k, data[16*n+bits:], nil
}

func decodeHalves(data []byte, n int) ([]half, []byte, error) {
	var out []half
	for range n {
		if data[8] > 1 {
			return nil, nil, fmt.Errorf("%w: a mark of %d", ErrPicture, data[8])
		}
		out = append(out, half{math.Float64frombits(le.Uint64(data)), data[8] == 1})
		data = data[halfSize:]
	}
	return out, data, nil
}
