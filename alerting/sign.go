package alerting

// Sign is one thing about the program itself that was looked at.
type Sign struct {
	What string `json:"what" doc:"e.g. broker"`
	Word Word   `json:"word" enum:"good,look,bad,unknown"`
	Said string `json:"said" doc:"what was found"`
	Do   string `json:"do,omitempty" doc:"what to do about it"`
}

// Word is how a thing is.
type Word string

// The words.
const (
	Good    Word = "good"
	Worse   Word = "look" // it works, and someone should look
	Bad     Word = "bad"
	Unknown Word = "unknown"
)
