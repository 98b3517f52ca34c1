"""Every doubt the measuring room can name, with what it means; nothing else may stand in a disc's flags."""

CLIPPED = "clipped"
COVERED = "covered"
OVEREXPOSED = "overexposed"
FLATTENED = "flattened"
FAINT = "faint"
SOFT = "soft"
SHORT_ARC = "short-arc"
BLANK_PIXELS = "blank-pixels"
NO_LIGHT = "no-light"
NO_LIMB = "no-limb"
ALL_WHITE = "all-white"
GLARE = "glare"
SECOND_DISC = "second-disc"
UNEXPECTED_SIZE = "unexpected-size"
LIKE_A_LAMP = "like-a-lamp"

MEANING = {
    CLIPPED: "part of the limb lies outside the frame",
    COVERED: "something hides part of the limb that lies in the frame",
    OVEREXPOSED: "most of the disc is at full scale; radius and sharpness rest on the limb's foot",
    FLATTENED: "the disc is an ellipse, as refraction makes it near the horizon",
    FAINT: "the disc is darker than a hundredth of full scale",
    SOFT: "the edge is wider than a fiftieth of the disc's radius, and than 4.5 px, as sharp ones may be",
    SHORT_ARC: "less than a quarter of the limb was seen",
    BLANK_PIXELS: "some pixels hold no number; they were taken as dark",
    NO_LIGHT: "the frame is dark from end to end",
    NO_LIMB: "no circle of edges, bright on the inside, was found",
    ALL_WHITE: "most of the frame is at full scale",
    GLARE: "part of the frame is at full scale, and no limb stands out of the light round it",
    SECOND_DISC: "another, fainter disc stands in the frame: a reflection, or a lamp",
    UNEXPECTED_SIZE: "the disc is not of the size that lens and date let expect",
    LIKE_A_LAMP: "a lamp or a window may look so: its size would tell, were the lens known",
}
