// Package banned has what TestBansAreCaught has to find: each line that ends in
// "bad", and no other.
package banned

import "gorm.io/gorm"

type row struct{ GrowerID, Contact string }

func use(db *gorm.DB, r row, m map[string]any) {
	db.Save(&r)                                   // bad
	db.AutoMigrate(&r)                            // bad
	db.Where(&row{GrowerID: "a"}).Take(&r)        // bad
	db.Where(m).Find(&r)                          // bad
	db.Where("grower_id = ?", "a").Or(r).Take(&r) // bad
	db.Delete(&row{}, r)                          // bad
	db.Model(&r).Updates(r)                       // bad
	db.Model(&r).Select("contact").Updates(m)     // bad
	db.Model(&r).Select("contact").Where("grower_id = ?", "a").Updates(r)
	db.Where("grower_id = ?", "a").Find(&r, "contact = ?", "b")
}
