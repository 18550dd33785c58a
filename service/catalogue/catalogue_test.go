package catalogue

import "testing"

func TestLoad(t *testing.T) {
	c, err := Load()
	if err != nil {
		t.Fatal(err)
	}
	t.Log(c.Version(), len(c.Taxa()), len(c.Foods()))
	for _, n := range []string{"DROSERA CAPENSIS L.", "drosera x obovata", "Sarracenia jonesii Wherry", "Dionaea muscipula J. Ellis", "Drosera spatulata (Labill.) Foo. f."} {
		tx, ok := c.ByName(n)
		t.Log(n, ok, tx)
	}
}
